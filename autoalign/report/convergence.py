"""Convergence of a run: merit and terms of every measurement, and the axis positions."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.ticker import FuncFormatter, MaxNLocator

from autoalign.core.axes import Axis
from autoalign.core.units import edge, edge_unit, given, number, signed
from autoalign.journal.record import MeasurementRow, RunRecord
from autoalign.messages.words import counted, term_label
from autoalign.report.style import (
    BAD,
    BLUE,
    FAINT,
    GOOD,
    INK,
    QUIET,
    SERIES,
    dress,
    halo,
    new_figure,
    plain,
)

__all__ = ["axes_figure", "convergence_figure", "describe_axes", "describe_convergence"]
__all__ += ["draw_convergence"]

_FLOOR = 0.01
_MANY = 60


def convergence_figure(record: RunRecord) -> Figure:
    """Return merit and terms against the number of the measurement, logarithmic."""
    figure = new_figure(4.6, 4.1)
    draw_convergence(figure.add_subplot(), record)
    return figure


def draw_convergence(axes: Axes, record: RunRecord, size: float = 10.0) -> None:
    """Draw merit and |deviation| of each term, both in units of the tolerance.

    A run of more than sixty measurements is drawn as dots, with lines for the best one so far.
    """
    long = len(record.measurements) > _MANY
    measurements = _best_so_far(record.measurements) if long else list(record.measurements)
    names = list(dict.fromkeys(t.name for p in record.measurements for t in p.terms))
    top = 2.0
    if long:
        dots = [(p.number, p.merit) for p in record.measurements if p.merit is not None]
        x, y = _floored(dots)
        top = float(np.nanmax(y, initial=top))
        axes.plot(
            x,
            y,
            ".",
            color=QUIET,
            alpha=0.45,
            markersize=3.5,
            label="merit of every measurement",
            zorder=1,
        )
    for k, name in enumerate(names):
        colour, marker, dashes = SERIES[k % len(SERIES)]
        points = [
            (p.number, abs(t.residual)) for p in measurements for t in p.terms if t.name == name
        ]
        x, y = _floored(points)
        top = float(np.nanmax(y, initial=top))
        axes.plot(
            x, y, color=colour, marker="" if long else marker, linestyle=dashes, markersize=4.5,
            linewidth=1.3, label=plain(term_label(name), 30),
        )  # fmt: skip
    merit = [(p.number, p.merit) for p in measurements if p.merit is not None]
    if merit:
        x, y = _floored(merit)
        top = float(np.nanmax(y, initial=top))
        label = "best merit so far" if long else "merit (rms of all terms)"
        axes.plot(x, y, color=INK, linewidth=2.8, label=label, path_effects=halo(4.6))
    _failures(axes, record, top * 1.8)
    _scales(axes, record, top, size)


def _best_so_far(measurements: Sequence[MeasurementRow]) -> list[MeasurementRow]:
    """Return the best measurement so far for each one that could be evaluated, renumbered."""
    best: MeasurementRow | None = None
    out = []
    for measurement in measurements:
        if measurement.merit is None:
            continue
        if best is None or best.merit is None or measurement.merit <= best.merit:
            best = measurement
        out.append(replace(best, number=measurement.number))
    return out


def _scales(axes: Axes, record: RunRecord, top: float, size: float) -> None:
    axes.set_yscale("log")
    axes.set_ylim(_FLOOR * 0.8, top * 3)
    axes.axhspan(_FLOOR * 0.8, 1.0, color=FAINT, zorder=0)
    axes.axhline(1.0, color=GOOD, linewidth=1.4, zorder=1)
    numbers = [p.number for p in record.measurements] or [0]
    axes.set_xlim(min(numbers) - 0.4, max(numbers) + 0.4)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True))
    axes.yaxis.set_major_formatter(FuncFormatter(lambda v, _: given(v)))
    dress(axes, "measurement number", "deviation from target,\nin tolerances", size=size)
    axes.text(
        0.99, 1.0, "tolerance", transform=axes.get_yaxis_transform(), ha="right", va="bottom",
        fontsize=size - 1, color=GOOD, path_effects=halo(),
    )  # fmt: skip
    if axes.get_legend_handles_labels()[0]:
        axes.legend(
            fontsize=size - 1, frameon=False, loc="upper center", bbox_to_anchor=(0.42, -0.2),
            ncols=2, handlelength=2.6, columnspacing=1.0,
        )  # fmt: skip


def _failures(axes: Axes, record: RunRecord, height: float) -> None:
    failed = [p.number for p in record.measurements if p.merit is None]
    if failed:
        axes.plot(
            failed, [height] * len(failed), "x", color=BAD, markersize=7, markeredgewidth=2,
            label="could not be evaluated",
        )  # fmt: skip


def _floored(points: list[tuple[int, float]]) -> tuple[np.ndarray, np.ndarray]:
    x, y = np.array(points, dtype=float).reshape(-1, 2).T
    return x, np.maximum(np.where(np.isfinite(y), y, np.nan), _FLOOR)


def describe_convergence(record: RunRecord) -> str:
    """Return the convergence in words."""
    merits = [p.merit for p in record.measurements if p.merit is not None]
    if not merits:
        return "No measurement could be evaluated, so there is no convergence to show."
    return (
        f"Merit (rms of all terms in units of their tolerances) over "
        f"{counted(len(record.measurements), 'measurement')}: {number(merits[0])} at the start, "
        f"{number(merits[-1])} at the end, {number(min(merits))} at best."
    )


def axes_figure(record: RunRecord) -> Figure:
    """Return the position of every axis by number of measurement, one small plot each."""
    names = list(dict.fromkeys(n for p in record.measurements for n in p.positions))
    known = {a.name: a for a in record.axes}
    rows = max(math.ceil(len(names) / 2), 1)
    figure = new_figure(4.6, 1.75 * rows + 0.25)
    grid = figure.subplots(rows, 2, squeeze=False, sharex=True)
    for k, axes in enumerate(grid.flat):
        if k >= len(names):
            axes.set_axis_off()
            continue
        _one_axis(axes, record, names[k], known.get(names[k]))
        if k >= len(names) - 2:
            axes.set_xlabel("measurement number", fontsize=9, color=INK)
            axes.tick_params(labelbottom=True)
    return figure


def _one_axis(axes: Axes, record: RunRecord, name: str, axis: Axis | None) -> None:
    unit = axis.unit if axis else _guess_unit(record, name)
    visits = [p for p in record.measurements if name in p.positions]
    x = np.array([p.number for p in visits], dtype=float)
    y = np.array([edge(p.positions[name], unit) for p in visits])
    axes.plot(x, y, color=BLUE, marker="o", markersize=3.5, linewidth=1.4)
    dress(axes, "", edge_unit(unit), plain(name, 24), 9)
    pad = max(float(np.ptp(y)) * 0.2, 1e-3)
    axes.set_ylim(y.min() - pad, y.max() + pad)
    axes.xaxis.set_major_locator(MaxNLocator(integer=True, nbins=6))
    axes.yaxis.set_major_locator(MaxNLocator(nbins=4))
    axes.axhline(float(y[-1]), color=QUIET, linewidth=0.7, linestyle=(0, (2, 3)), zorder=0)


def _guess_unit(record: RunRecord, name: str) -> str:
    return next((m.unit for m in record.moves if m.axis == name), "1")


def describe_axes(record: RunRecord) -> str:
    """Return the start and end position of each axis in words."""
    if not record.measurements:
        return "No positions were recorded."
    first, last = record.measurements[0].positions, record.measurements[-1].positions
    known = {a.name: a for a in record.axes}
    parts = []
    for name in last:
        unit = known[name].unit if name in known else _guess_unit(record, name)
        start = signed(edge(first[name], unit)) if name in first else "unknown"
        parts.append(f"{name} from {start} to {signed(edge(last[name], unit))} {edge_unit(unit)}")
    return "Axis positions at each measurement: " + "; ".join(parts) + "."
