"""What one frame says, as plain data, as a table, and as CSV."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Sequence
from dataclasses import dataclass, field
from typing import Any

from autoalign.beam.profile import BeamProfile, Use
from autoalign.cli.output import print_table, print_text
from autoalign.core.frames import Frame
from autoalign.messages.serialise import printable, profile_facts

__all__ = ["Measured", "facts_of", "print_csv", "print_profiles"]

COLUMNS = ("centre x", "centre y", "d_σ major", "d_σ minor")


@dataclass(frozen=True, slots=True, eq=False)
class Measured:
    """A frame with its profile; ``profile`` is None and ``problem`` says why where there is none.

    ``unit`` is "mm", or "px" where no pixel pitch was given.
    """

    name: str
    unit: str
    frame: Frame | None = None
    profile: BeamProfile | None = None
    notes: tuple[str, ...] = field(default=())
    problem: str = ""


def facts_of(measured: Measured) -> dict[str, Any]:
    """Return every number with its standard uncertainty and its unit."""
    facts: dict[str, Any] = {"name": measured.name, "problem": measured.problem or None}
    if measured.profile is None or measured.frame is None:
        return facts
    facts |= profile_facts(measured.profile, measured.unit)
    facts["pixels"] = list(measured.frame.pixels.shape)
    facts["notes"] = list(measured.notes)
    return facts


def print_profiles(many: Sequence[Measured]) -> None:
    """Print a table with a row a frame, then what is wrong with which frame, and why."""
    units = dict.fromkeys(m.unit for m in many if m.profile is not None)
    for unit in units:
        rows = [_row(m) for m in many if m.profile is not None and m.unit == unit]
        lengths = [f"{name}, {unit}" for name in COLUMNS]
        print_table(["", *lengths, "azimuth, °", "ellipticity", "flags"], rows, indent="")
    if units:
        print_text("In brackets: standard uncertainty of the last two digits.")
    for m in many:
        if m.problem:
            print_text(f"NOT MEASURED {m.problem}")
        elif m.profile is not None:
            for flag in m.profile.flags.values():
                print_text(f"{m.name}: {flag.kind}: {flag.evidence}. Good for: {flag.use}.")
            for note in m.notes:
                print_text(f"{m.name}: {note}.")


def print_csv(many: Sequence[Measured]) -> None:
    """Print a line a frame; the unit stands in each column's name.

    Where some frames are in mm and others in pixels there are columns for both.
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
    p = m.profile.in_plane_axes()
    flags = ", ".join(map(str, p.flags)) or "none"
    if p.use is Use.NOTHING:
        return (m.name, *["–"] * 6, flags)
    return (
        m.name,
        concise(p.centroid[0], p.u_centroid[0]),
        concise(p.centroid[1], p.u_centroid[1]),
        concise(p.width_major, p.u_width_major),
        concise(p.width_minor, p.u_width_minor),
        concise(math.degrees(p.azimuth), math.degrees(p.u_azimuth)),
        concise(p.ellipticity, p.u_ellipticity),
        flags,
    )


def concise(value: float, uncertainty: float) -> str:
    """Return ``1.2345(67)``: the standard uncertainty in units of the last digit (JCGM 100, 7.2.2).

    Two digits of the uncertainty are shown.
    """
    if not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{value:.6g}".replace("-", "−")
    places = max(1 - math.floor(math.log10(uncertainty)), 0)
    digits = round(uncertainty * 10**places)
    return f"{value:.{places}f}({digits})".replace("-", "−")
