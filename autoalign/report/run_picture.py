"""A whole run at a glance, as one picture."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure, SubFigure

from autoalign.core.units import edge, given
from autoalign.journal.record import RunRecord, TermRow
from autoalign.messages.verdict_words import headline
from autoalign.messages.words import counted, quantity, span_of_time, stated, term_label
from autoalign.report.convergence import draw_convergence
from autoalign.report.frame_view import draw_picture, window_for
from autoalign.report.style import BAD, GOOD, INK, QUIET, new_figure, plain, save_png

__all__ = ["draw_run", "run_figure"]


_MOST_TERMS = 6


def draw_run(record: RunRecord, path: str | Path) -> Path:
    """Write the picture of a run as PNG and return its path."""
    return save_png(run_figure(record), path, 130)


def run_figure(record: RunRecord) -> Figure:
    """Return the figure: frames at the start and the end, convergence, and the verdict."""
    planes = list(dict.fromkeys(p.plane for p in (*record.before, *record.after)))[:3]
    columns = max(len(planes), 1)
    figure = new_figure(3.6 * columns + 5.4, 8.6)
    top, below = figure.subfigures(2, 1, squeeze=False, height_ratios=[0.75, 7.85])[:, 0]
    left, right = below.subfigures(1, 2, squeeze=False, width_ratios=[3.6 * columns, 5.4])[0]
    _banner(top.add_subplot(), record)
    _frames(left, record, planes)
    chart, facts = right.subplots(2, 1, height_ratios=[4.0, 3.4])
    draw_convergence(chart, record, 11)
    _terms(facts, record)
    return figure


def _frames(figure: SubFigure, record: RunRecord, planes: Sequence[str]) -> None:
    grid = figure.add_gridspec(2, max(len(planes), 1))
    for column, plane in enumerate(planes):
        pairs = [
            (row, when, p)
            for row, when, pictures in ((0, "start", record.before), (1, "end", record.after))
            for p in pictures
            if p.plane == plane
        ]
        window = window_for([p for _, _, p in pairs])
        for row, when, picture in pairs:
            axes = figure.add_subplot(grid[row, column])
            draw_picture(axes, picture, window, f"{plain(plane, 20)}, {when}", 11)


def _banner(axes: Axes, record: RunRecord) -> None:
    axes.set_axis_off()
    time = f" in {span_of_time(record.duration)}" if record.duration is not None else ""
    axes.text(
        0.0, 1.0, headline(record), fontsize=20, fontweight="bold", va="top",
        color=GOOD if record.in_spec else BAD,
    )  # fmt: skip
    said = "simulated" in record.bench
    name = f"simulated bench {record.bench}" if record.simulated and not said else record.bench
    line = (
        f"{name}: {counted(len(record.measurements), 'measurement')}, "
        f"{counted(record.move_count, 'move')}{time}, search strategy {record.strategy}"
    )
    axes.text(0.0, 0.0, plain(line, 140), fontsize=12, va="bottom", color=INK)


def _terms(axes: Axes, record: RunRecord) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    after = record.after_probe
    if after is None or not after.terms:
        axes.text(0.0, 0.9, "Nothing was evaluated after the last move.", fontsize=12, color=BAD)
        return
    step = min(0.92 / min(len(after.terms), _MOST_TERMS), 0.23)
    for k, term in enumerate(after.terms[:_MOST_TERMS]):
        _term(axes, 0.97 - k * step, term)
    if len(after.terms) > _MOST_TERMS:
        more = f"… and {len(after.terms) - _MOST_TERMS} more in the report"
        axes.text(0.0, 0.0, more, fontsize=11, color=QUIET)


def _term(axes: Axes, height: float, term: TermRow) -> None:
    judged, colour = ("in spec", GOOD) if term.in_spec else ("not in spec", BAD)
    axes.text(
        0.0, height, plain(term_label(term.name), 34), fontsize=11.5, va="top", color=INK,
        fontweight="bold",
    )  # fmt: skip
    axes.text(1.0, height, judged, fontsize=11.5, va="top", ha="right", color=colour, weight="bold")
    value = quantity(term.value, term.unit, term.uncertainty)
    target = given(edge(term.target, term.unit))
    wanted = f"{target} ± {stated(term.tolerance, term.unit)}"
    axes.text(0.0, height - 0.085, f"{value}, target {wanted}", fontsize=11, va="top", color=QUIET)
