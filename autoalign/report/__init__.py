"""Figures and the one-file HTML report.

What draws is loaded when it is first asked for, so that importing this package stays light.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autoalign.report.from_journal import record_of
    from autoalign.report.plan_drawing import draw_plan
    from autoalign.report.profile_picture import draw_profile
    from autoalign.report.record import RunRecord
    from autoalign.report.run_picture import draw_run
    from autoalign.report.run_report import write_report

__all__ = ["RunRecord", "draw_plan", "draw_profile", "draw_run", "record_of", "write_report"]

_HOMES = {
    "RunRecord": "record",
    "draw_plan": "plan_drawing",
    "draw_profile": "profile_picture",
    "draw_run": "run_picture",
    "record_of": "from_journal",
    "write_report": "run_report",
}


def __getattr__(name: str) -> Any:
    if name not in _HOMES:
        raise AttributeError(f"module {__name__!r} has no attribute {name!r}")
    return getattr(import_module(f"{__name__}.{_HOMES[name]}"), name)
