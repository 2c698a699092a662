"""The result of a check as plain data with units, and as tables."""

from __future__ import annotations

import math
from typing import Any

from autoalign.check import AxisReport, CheckResult
from autoalign.cli.output import print_pairs, print_table, print_text
from autoalign.core.findings import Amount
from autoalign.core.units import edge, edge_unit, number, rounded
from autoalign.messages.findings import small
from autoalign.messages.serialise import finding_facts
from autoalign.messages.words import counted, span_of_time

__all__ = ["check_facts", "print_check"]

HEADER = (
    "axis", "verdict", "scale (measured/expected)", "backlash", "stated", "repeatability",
    "settling time", "step",
)  # fmt: skip


def check_facts(result: CheckResult) -> dict[str, Any]:
    """Return a check in mm and mrad, each value with its unit."""
    return {
        "well": result.well,
        "findings": [finding_facts(f) for f in result.findings],
        "stop": [finding_facts(f) for f in result.stops],
        "back_at_start": result.home,
        "compared_with_a_model": result.modelled,
        "status": str(result.status),
        "reason": result.reason,
        "measurements": result.measurements,
        "moves": result.moves,
        "seconds": result.seconds,
        "axes": {a.axis.name: _axis_facts(a) for a in result.axes},
        "planes": {
            p.plane: {
                "frames": p.frames,
                "centroid_scatter": None if p.scatter is None else list(p.scatter),
                "shift_at_the_end": result.shift.get(p.plane),
                "unit": "mm",
                "findings": [finding_facts(f) for f in p.findings],
            }
            for p in result.planes
        },
        "journal": None if result.journal is None else str(result.journal),
    }


def _axis_facts(report: AxisReport) -> dict[str, Any]:
    unit, judged, rest = report.axis.unit, report.judgement, report.settling
    lengths = {
        "step": report.step,
        "furthest_from_start": report.reach,
        "backlash": report.backlash,
        "u_backlash": report.u_backlash,
        "stated_backlash": report.axis.backlash,
        "repeatability": report.missed,
        "u_repeatability": report.u_missed,
    }
    return {
        "verdict": report.verdict.value,
        "words": str(report.said),
        "findings": [finding_facts(f) for f in report.findings],
        "unit": edge_unit(unit),
        **{k: None if v is None else edge(v, unit) for k, v in lengths.items()},
        "ratio": None if judged is None else judged.ratio,
        "u_ratio": None if judged is None else judged.u_ratio,
        "backward": None if report.response is None else report.response.backward,
        "cross_talk": None if judged is None else {a: list(c) for a, c in judged.cross.items()},
        "settling_time_s": None if rest is None else rest.time,
    }


def print_check(result: CheckResult) -> None:
    """Print the verdict, what was found, and the tables."""
    print_text("No fault was found." if result.well else _headline(result))
    for finding in result.findings:
        print_text(f"• {finding}.", indent="  ")
    for finding in result.stops:
        if finding not in result.findings:
            print_text(f"{finding}.")
    if not result.modelled:
        print_text("Without a layout, the expected motion of the axes is not known.")
    print_text()
    print_table(HEADER, [_row(a) for a in result.axes])
    print_text()
    pairs = []
    for plane in result.planes:
        shift = result.shift.get(plane.plane)
        still = "not seen"
        if plane.scatter is not None:
            still = f"centroid steady to {number(1e3 * max(plane.scatter), 2)} µm between frames"
        back = "" if shift is None else f"; at the end {number(1e3 * shift, 2)} µm from its start"
        pairs.append((plane.plane, still + back))
    print_pairs(pairs)
    print_text()
    where = "Every axis is back at its start" if result.home else "NOT every axis is back"
    print_text(
        f"{where}. {counted(result.measurements, 'measurement')}, {counted(result.moves, 'move')}, "
        f"{span_of_time(result.seconds)}."
    )
    if result.journal is not None:
        print_text(f"Journal {result.journal}", wrap=False)


def _headline(result: CheckResult) -> str:
    count = len(result.findings)
    return f"{counted(count, 'finding')}:"


def _row(report: AxisReport) -> tuple[str, ...]:
    axis, judged, rest = report.axis, report.judgement, report.settling
    ratio = "–"
    if judged is not None and math.isfinite(judged.ratio):
        ratio = f"{rounded(judged.ratio, 2)} ± {rounded(judged.u_ratio, 2)}"
    backlash = "–"
    if report.backlash is not None:
        backlash = small(Amount(report.backlash, axis.unit, report.u_backlash))
        backlash = f"≥ {backlash}" if report.u_backlash is None else backlash
    missed = (
        "–"
        if report.missed is None
        else small(Amount(abs(report.missed), axis.unit, report.u_missed))
    )
    still = "–"
    if rest is not None:
        sign = "≤" if rest.time <= rest.looked else "after"
        still = (
            f"{sign} {number(rest.time, 2)} s" if rest.steady else f"> {number(rest.until, 2)} s"
        )
    return (
        axis.name, report.verdict.value, ratio, backlash, small(Amount(axis.backlash, axis.unit)),
        missed, still, small(Amount(report.step, axis.unit)),
    )  # fmt: skip
