"""Figures and the one-file HTML report.

What draws is loaded when it is first asked for, so that importing this package stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autoalign.journal.record import RunRecord
    from autoalign.report.from_journal import record_of
    from autoalign.report.gallery import GalleryCase, gallery_cases, simulated_render, write_gallery
    from autoalign.report.plan_drawing import draw_plan
    from autoalign.report.profile_picture import draw_profile
    from autoalign.report.run_picture import draw_run
    from autoalign.report.run_report import write_report
    from autoalign.report.symptom_page import write_symptoms
    from autoalign.report.symptoms import axis_symptoms

__all__ = [
    "GalleryCase",
    "RunRecord",
    "axis_symptoms",
    "draw_plan",
    "draw_profile",
    "draw_run",
    "gallery_cases",
    "record_of",
    "simulated_render",
    "write_gallery",
    "write_report",
    "write_symptoms",
]

_HOMES = {
    "GalleryCase": "gallery",
    "RunRecord": "record",
    "axis_symptoms": "symptoms",
    "draw_plan": "plan_drawing",
    "draw_profile": "profile_picture",
    "draw_run": "run_picture",
    "gallery_cases": "gallery",
    "record_of": "from_journal",
    "simulated_render": "gallery",
    "write_gallery": "gallery",
    "write_report": "run_report",
    "write_symptoms": "symptom_page",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
