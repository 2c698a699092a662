"""The figures of each frame as plain data, as a table, and as CSV."""

from __future__ import annotations

import csv
import io
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any, Literal

from autoalign.beam.profile import BeamProfile
from autoalign.cli.output import print_table, print_text
from autoalign.core.frames import Frame
from autoalign.core.units import concise
from autoalign.messages.serialise import printable, profile_facts

__all__ = ["Measured", "facts_of", "print_csv", "print_profiles"]

LENGTHS = {
    "centre x": "centre_x", "centre y": "centre_y",
    "d_σ major": "width_major", "d_σ minor": "width_minor",
}  # fmt: skip
"""Columns of the table that are lengths, and what their figures are called."""

_AXES = {
    "sensor": (
        "Axes: those of the sensor, x to the right, y down, from the centre of the first pixel. "
        "Azimuth: of the principal axis closer to x, clockwise (from +x towards +y)."
    ),
    "middle": (
        "Axes: x to the right, y up, from the middle of the picture. Azimuth: of the principal "
        "axis closer to x, counter-clockwise (from +x towards +y)."
    ),
    "plane": (
        "Axes: those of the plane, viewed against the beam, x in the plane of incidence, y up, "
        "from the fiducial. Azimuth: of the principal axis closer to x, counter-clockwise (from +x "
        "towards +y)."
    ),
}


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A frame with its profile; ``profile`` is None and ``problem`` says why if there is none.

    ``unit`` is "mm", or "px" without a pixel pitch; ``axes`` are those in which its figures are
    given: of the "sensor", from the "middle" of a picture, or of the "plane".
    """

    name: str
    unit: str
    frame: Frame | None = None
    profile: BeamProfile | None = None
    notes: tuple[str, ...] = field(default=())
    problem: str = ""
    axes: Literal["sensor", "middle", "plane"] = "plane"


def facts_of(measured: Measured) -> dict[str, Any]:
    """Return every number with its standard uncertainty and its unit."""
    facts: dict[str, Any] = {"name": measured.name, "problem": measured.problem or None}
    if measured.profile is None or measured.frame is None:
        return facts
    facts["axes"] = measured.axes
    facts |= profile_facts(measured.profile, measured.unit)
    facts["pixels"] = list(measured.frame.pixels.shape)
    facts["notes"] = list(measured.notes)
    return facts


def print_profiles(many: Sequence[Measured]) -> None:
    """Print a table with a row per frame, then what is wrong with which frame, and why."""
    units = dict.fromkeys(m.unit for m in many if m.profile is not None)
    for unit in units:
        rows = [_row(m) for m in many if m.profile is not None and m.unit == unit]
        lengths = [f"{name}, {unit}" for name in LENGTHS]
        print_table(["frame", *lengths, "azimuth, °", "ellipticity", "flags"], rows, indent="")
    if units:
        print_text("In brackets: standard uncertainty in units of the last digits.")
        for axes in dict.fromkeys(m.axes for m in many if m.profile is not None):
            print_text(_AXES[axes])
    for m in many:
        if m.problem:
            print_text(f"NOT MEASURED {m.problem}", hanging="  ")
        elif m.profile is not None:
            for flag in m.profile.flags.values():
                text = f"{m.name}: {flag.kind}: {flag.evidence}. Good for: {flag.use}."
                print_text(text, hanging="  ")
            for note in m.notes:
                print_text(f"{m.name}: {note}.", hanging="  ")


def print_csv(many: Sequence[Measured]) -> None:
    """Print a line per frame; the unit is part of each column's name.

    If some frames are in mm and others in pixels, there are columns for both.
    """
    facts = [facts_of(m) for m in many]
    numbers = dict.fromkeys(
        (k, v["unit"]) for f in facts for k, v in f.items() if isinstance(v, dict)
    )
    sure = {k for f in facts for k, v in f.items() if isinstance(v, dict) and v["uncertainty"]}
    columns = [f"{k}[{_plain(unit)}]" for k, unit in numbers]
    columns += [f"u_{k}[{_plain(unit)}]" for k, unit in numbers if k in sure]
    ends = ("good_for", "flags", "problem")
    lines = io.StringIO()
    writer = csv.DictWriter(
        lines, ["name", *columns, *ends], restval="", extrasaction="ignore", lineterminator="\n"
    )
    writer.writeheader()
    for f in facts:
        row: dict[str, Any] = {"name": f["name"], "problem": f["problem"] or ""}
        for k, v in f.items():
            if isinstance(v, dict):
                row[f"{k}[{_plain(v['unit'])}]"] = printable(v["value"])
                row[f"u_{k}[{_plain(v['unit'])}]"] = printable(v["uncertainty"])
        row["good_for"] = f.get("good_for", "")
        row["flags"] = "; ".join(flag["kind"] for flag in f.get("flags", ()))
        writer.writerow(row)
    print_text(lines.getvalue().rstrip("\n"), wrap=False)


def _plain(unit: str) -> str:
    return unit.replace(" ", "_")


def _row(m: Measured) -> tuple[str, ...]:
    assert m.profile is not None
    facts = profile_facts(m.profile, m.unit)
    shown = (*LENGTHS.values(), "azimuth", "ellipticity")
    flags = ", ".join(map(str, m.profile.flags)) or "none"
    return (m.name, *(_cell(**facts[name]) for name in shown), flags)


def _cell(value: float | None, uncertainty: float | None, unit: str) -> str:
    return "–" if value is None else concise(value, uncertainty or 0.0)
