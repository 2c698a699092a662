"""The one way from what was found to JSON: plain facts, every number with its unit.

Lengths are in mm, angles in mrad (``units.EDGE_UNIT``), counts are whole numbers; where a key does
not end in the unit, the number stands beside it: ``{"value": 1.2, "unit": "mrad"}``. Files and
``--json`` are made here alike, so that they never differ.
"""

from __future__ import annotations

import json
import math
from collections.abc import Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Any, Protocol

from autoalign.core.files import atomic_write
from autoalign.core.units import edge, edge_unit

if TYPE_CHECKING:
    from _typeshed import DataclassInstance

    from autoalign.beam.profile import BeamProfile
    from autoalign.core.axes import Axis
    from autoalign.core.findings import Finding
    from autoalign.model.wavefront_forecast import WavefrontEstimate
    from autoalign.spec.terms import Verdict

__all__ = [
    "Ended",
    "amount",
    "facts_text",
    "finding_facts",
    "position_facts",
    "printable",
    "profile_facts",
    "result_facts",
    "status_facts",
    "term_facts",
    "wavefront_facts",
    "write_facts",
]


class Ended(Protocol):
    """An alignment that has ended, as far as its facts go."""

    @property
    def in_spec(self) -> bool: ...  # noqa: D102
    @property
    def status(self) -> str: ...  # noqa: D102
    @property
    def reason(self) -> str: ...  # noqa: D102
    @property
    def strategy(self) -> str: ...  # noqa: D102
    @property
    def seed(self) -> int: ...  # noqa: D102
    @property
    def measurements(self) -> int: ...  # noqa: D102
    @property
    def moves(self) -> int: ...  # noqa: D102
    @property
    def seconds(self) -> float: ...  # noqa: D102
    @property
    def positions(self) -> Mapping[str, float]: ...  # noqa: D102
    @property
    def axes(self) -> Mapping[str, Axis]: ...  # noqa: D102
    @property
    def journal(self) -> Path | None: ...  # noqa: D102
    @property
    def remarks(self) -> Sequence[str]: ...  # noqa: D102
    @property
    def first_verdict(self) -> Verdict | None: ...  # noqa: D102
    @property
    def verdict(self) -> Verdict | None: ...  # noqa: D102
    @property
    def wavefront(self) -> WavefrontEstimate | None: ...  # noqa: D102


def amount(value: float | None, unit: str) -> dict[str, Any]:
    """Return ``value``, in an inner ``unit``, as a person is shown it, with that unit."""
    return {"value": None if value is None else edge(value, unit), "unit": edge_unit(unit)}


def result_facts(result: Ended) -> dict[str, Any]:
    """Return how an alignment ended."""
    return {
        "in_spec": result.in_spec,
        "status": str(result.status),
        "reason": result.reason,
        "strategy": result.strategy,
        "seed": result.seed,
        "measurements": result.measurements,
        "moves": result.moves,
        "seconds": result.seconds,
        "before": term_facts(result.first_verdict),
        "after": term_facts(result.verdict),
        "wavefront": wavefront_facts(result.wavefront),
        "positions": position_facts(result.positions, result.axes),
        "journal": None if result.journal is None else str(result.journal),
        "remarks": list(result.remarks),
    }


def wavefront_facts(told: WavefrontEstimate | None) -> dict[str, Any] | None:
    """Return what is known of the wavefront; lengths in waves, parts by name."""
    if told is None:
        return None
    from autoalign.model.wavefront_forecast import PARTS  # noqa: PLC0415 - numpy

    each = zip(PARTS, told.parts, told.uncertainty, strict=True)
    return {
        "rms (waves)": told.rms,
        "upper 95 % (waves)": told.upper,
        "strehl": told.strehl,
        "strehl lower 95 %": told.strehl_lower,
        "wavelength (nm)": told.wavelength * 1e6,
        "parts (waves)": {name: {"value": v, "uncertainty": u} for name, v, u in each},
        "added to the divergence of the source": told.added,
        "added upper 95 %": told.added_upper,
        "shown to be good": told.shown,
    }


def position_facts(positions: Mapping[str, float], axes: Mapping[str, Axis]) -> dict[str, Any]:
    """Return where every axis is."""
    return {name: amount(position, axes[name].unit) for name, position in positions.items()}


def term_facts(verdict: Verdict | None) -> dict[str, Any] | None:
    """Return every term of a verdict with its unit; None where there is no verdict."""
    if verdict is None:
        return None
    return {
        term.name: {
            **{
                key: edge(getattr(term, key), term.unit)
                for key in ("value", "uncertainty", "target", "tolerance")
            },
            "unit": edge_unit(term.unit),
            "in_spec": term.in_spec,
        }
        for term in verdict.terms
    }


def profile_facts(profile: BeamProfile, length: str) -> dict[str, Any]:
    """Return what a frame says; ``length`` is "mm", or "px" where no pixel pitch is known.

    A figure that the frame cannot give is None.
    """
    from autoalign.beam.profile import Use  # noqa: PLC0415 - numpy, which no help text needs

    p, deg = profile.in_plane_axes(), math.degrees
    numbers: dict[str, tuple[float | None, float | None, str]] = {
        "centre_x": (p.centroid[0], p.u_centroid[0], length),
        "centre_y": (p.centroid[1], p.u_centroid[1], length),
        "width_major": (p.width_major, p.u_width_major, length),
        "width_minor": (p.width_minor, p.u_width_minor, length),
        "azimuth": (deg(p.azimuth), deg(p.u_azimuth), "deg"),
        "ellipticity": (p.ellipticity, p.u_ellipticity, "1"),
        "power": (p.power, p.power_uncertainty, "sum of pixel values"),
        "peak": (p.peak, None, "pixel value"),
        "background": (p.background, None, "pixel value"),
        "noise": (p.noise, None, "pixel value"),
    }
    unknown = [] if p.has_widths else ["width_major", "width_minor", "azimuth", "ellipticity"]
    unknown += ["centre_x", "centre_y"] if p.use is Use.NOTHING else []
    numbers |= {name: (None, None, numbers[name][2]) for name in unknown}
    flags = [
        {"kind": str(f.kind), "evidence": f.evidence, "good_for": str(f.use)}
        for f in p.flags.values()
    ]
    return {
        **{k: {"value": v, "uncertainty": u, "unit": unit} for k, (v, u, unit) in numbers.items()},
        "good_for": str(p.use),
        "flags": flags,
    }


def finding_facts(finding: Finding) -> dict[str, Any]:
    """Return a finding: its code, what it is about, its numbers with units, and its sentence."""
    return {
        "code": finding.code,
        "subject": finding.subject,
        "severity": finding.severity.value,
        "numbers": {
            name: {**amount(a.value, a.unit), "uncertainty": _at_edge(a.u, a.unit)}
            for name, a in finding.numbers.items()
        },
        "sentence": str(finding),
    }


def _at_edge(value: float | None, unit: str) -> float | None:
    return None if value is None else edge(value, unit)


def status_facts(status: DataclassInstance) -> dict[str, Any]:
    """Return how a watch is doing; its merit is a ratio, 1 at the tolerances."""
    facts = asdict(status)
    return {**facts, "merit": amount(facts["merit"], "1")}


def facts_text(facts: Mapping[str, Any] | Sequence[Any], indent: int | None = 2) -> str:
    """Return facts as JSON; numbers that are not finite become null. On one line without indent."""
    return json.dumps(printable(facts), indent=indent, ensure_ascii=False)


def write_facts(path: str | Path, facts: Mapping[str, Any]) -> Path:
    """Write facts as JSON to ``path``, whole or not at all, and return where."""
    return atomic_write(path, facts_text(facts) + "\n")


def printable(value: Any) -> Any:
    """Return ``value`` as plain data that JSON can hold."""
    if isinstance(value, Mapping):
        return {str(k): printable(v) for k, v in value.items()}
    if isinstance(value, list | tuple):
        return [printable(v) for v in value]
    if isinstance(value, float):
        return value if math.isfinite(value) else None
    if value is None or isinstance(value, str | int | bool):
        return value
    return str(value)
