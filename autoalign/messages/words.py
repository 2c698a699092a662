"""Quantities and names as people read them: the unit is always said."""

from __future__ import annotations

import math
from collections.abc import Iterator
from typing import TYPE_CHECKING

from autoalign.core.units import edge, edge_unit, given, number, percent, rounded

if TYPE_CHECKING:
    from autoalign.beam.standards.own_beam import OwnFigure
    from autoalign.journal.record import RunRecord
    from autoalign.model.wavefront_forecast import WavefrontEstimate


__all__ = [
    "WAVEFRONT_TITLE",
    "counted",
    "own_figure",
    "quantity",
    "span_of_time",
    "start_words",
    "stated",
    "term_label",
    "unit_label",
    "wavefront_rows",
]

# Findings at the start of a run: its first frames, and what had to be moved.


def start_words(record: RunRecord) -> tuple[str, ...]:
    """Return a sentence for each finding in the first frames, and one for what was moved."""
    return (*record.remarks, *_moved(record))


def _moved(record: RunRecord) -> Iterator[str]:
    before, after = record.before_probe, record.after_probe
    if not record.in_spec or before is None or after is None or before is after:
        return
    moves = []
    for axis in record.axes:
        if axis.name not in before.positions or axis.name not in after.positions:
            continue
        way = after.positions[axis.name] - before.positions[axis.name]
        if abs(way) > 2 * axis.resolution:
            label = unit_label(edge_unit(axis.unit))
            plus = "+" if way > 0 else ""
            moves.append(f"{axis.name} by {plus}{number(edge(way, axis.unit))} {label}")
    if moves:
        yield (
            f"To bring the beam into spec, the run moved {', '.join(moves)}. Axes with the same "
            "effect can replace each other, so a part was not necessarily misaligned by this much."
        )


_LABELS = {
    "pointing_x": "pointing sideways (x)",
    "pointing_y": "pointing up/down (y)",
    "divergence": "divergence, near to far",
    "ellipticity": "ellipticity, far to near",
    "wavefront": "wavefront, waves rms",
}


_AT_PLANE = {
    "x": "spot sideways (x)",
    "y": "spot up/down (y)",
    "xx": "width sideways (x)",
    "yy": "width up/down (y)",
    "xy": "slant (xy)",
    "skew_x": "skew sideways (x)",
    "skew_y": "skew up/down (y)",
    "power": "power",
}


def term_label(name: str) -> str:
    """Return what a term or a quantity of a plane is called in a report."""
    plane, dot, quantity_name = name.rpartition(".")
    if dot and quantity_name in _AT_PLANE:
        return f"{_AT_PLANE[quantity_name]} at {plane}"
    return _LABELS.get(name, name)


def unit_label(unit: str) -> str:
    """Return an edge unit for a table or an axis; a plain number is called a ratio."""
    return {"1": "ratio", "um": "µm", "urad": "µrad", "deg": "°"}.get(unit, unit)


def quantity(value: float, unit: str, uncertainty: float | None = None) -> str:
    """Return an inner value at the edge, with its unit and, where known, its standard uncertainty.

    The uncertainty is given to two significant digits and the value to the same place (GUM, JCGM
    100, 7.2.6, from memory).
    """
    shown, label = edge(value, unit), unit_label(edge_unit(unit))
    tail = "" if label == "ratio" else f" {label}"
    if uncertainty is None or not (math.isfinite(uncertainty) and uncertainty > 0):
        return f"{number(shown)}{tail}"
    u = edge(uncertainty, unit)
    places = max(1 - math.floor(math.log10(u)), 0)
    return f"{rounded(shown, places)} ± {rounded(u, places)}{tail}"


def own_figure(figure: OwnFigure) -> str:
    """Return a figure of the beam itself with its unit, or why there is none."""
    if figure.value is None:
        return figure.why
    return quantity(figure.value, figure.unit, figure.uncertainty)


def stated(value: float, unit: str) -> str:
    """Return a chosen inner value at the edge, with its unit."""
    label = unit_label(edge_unit(unit))
    return given(edge(value, unit)) + ("" if label == "ratio" else f" {label}")


WAVEFRONT_TITLE = "Wavefront, from the fit of the bench (without figure errors of the optics)"


def wavefront_rows(told: WavefrontEstimate) -> list[tuple[str, str]]:
    """Return what is known of a wavefront as pairs of a label and a quantity."""
    from autoalign.model.wavefront_forecast import PARTS  # noqa: PLC0415 - numpy

    rows = [
        ("rms", f"{number(told.rms, 2)} waves, up to {number(told.upper, 2)} (95 %)"),
        (
            "Strehl ratio",
            f"{number(told.strehl, 2)}, at least {number(told.strehl_lower, 2)} (95 %)",
        ),
    ]
    if told.added is not None and told.added_upper is not None:
        own = quantity(told.source_divergence, "rad")
        rows.append(
            (
                "added to the divergence",
                f"{percent(told.added)} of the {own} that the source's size gives, up to "
                f"{percent(told.added_upper)} (95 %)",
            )
        )
    # What is under a hundredth of a wave is not worth a line.
    rows += [
        (name, f"{rounded(v, 3)} ± {rounded(u, 3)} waves")
        for name, v, u in zip(PARTS, told.parts, told.uncertainty, strict=True)
        if abs(v) + 2 * u > LEAST
    ]
    return rows


LEAST = 0.01
"""Waves rms below which a part of the wavefront is not listed."""


def counted(count: int, noun: str) -> str:
    """Return ``1 move``, ``2 moves``."""
    return f"{count} {noun}{'' if count == 1 else 's'}"


def span_of_time(seconds: float) -> str:
    """Return a duration in words: ``42 s``, ``4 min 12 s``, ``2 h 05 min``."""
    if not math.isfinite(seconds):
        return "unknown"
    if seconds < 10:
        return f"{seconds:.1f} s"
    whole = round(seconds)
    if whole < 60:
        return f"{whole} s"
    if whole < 3600:
        return f"{whole // 60} min {whole % 60:02d} s"
    return f"{whole // 3600} h {whole % 3600 // 60:02d} min"
