"""A bench drawn to scale from its layout: from above and from the side, with dimensions."""

from __future__ import annotations

from collections.abc import Sequence
from pathlib import Path
from textwrap import wrap

from matplotlib.axes import Axes
from matplotlib.figure import Figure

from autoalign.optics.layout import Layout
from autoalign.report.bench_view import WIDTH, BenchView
from autoalign.report.plan_labels import Labels
from autoalign.report.style import QUIET, new_figure, plain, save_png

__all__ = ["draw_plan", "plan_figure"]

_FLAT = 0.7
"""A bench that is wider than high by more than this gets the whole width for its top view."""


def draw_plan(layout: Layout, path: str | Path, facts: Sequence[str] = ()) -> Path:
    """Write the drawing of ``layout`` as PNG and return its path.

    ``facts`` are lines of text to print beside it, for instance from a plan.
    """
    return save_png(plan_figure(layout, facts), path, 140)


def plan_figure(layout: Layout, facts: Sequence[str] = ()) -> Figure:
    """Return the drawing: the whole bench as a strip where it is long, and the part that moves."""
    bench = BenchView(layout)
    lines = [part for line in (*bench.lines(), *facts) for part in wrap(plain(line, 400), 82)]
    box = bench.box(bench.top)
    wide = box.height / box.width < _FLAT
    top = bench.inches(bench.top, WIDTH if wide else WIDTH / 2)
    side, foot = bench.inches(bench.side, WIDTH / 2), 0.3 + 0.21 * len(lines)
    strip = [bench.strip_inches()] if bench.is_long else []
    heights = [*strip, top, max(side, foot)] if wide else [*strip, max(top, side + foot)]
    figure = new_figure(WIDTH, sum(heights))
    rows = figure.subfigures(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
    named: list[tuple[Axes, Labels]] = []
    if strip:
        axes = rows[0].add_subplot()
        named.append((axes, bench.draw_strip(axes)))
    if wide:
        above = rows[-2].add_subplot()
        beside, text = rows[-1].subplots(1, 2)
    else:
        left, right = rows[-1].subfigures(1, 2)
        above = left.add_subplot()
        beside, text = right.subplots(2, 1, height_ratios=[side, heights[-1] - side])
    named.append((above, bench.draw_detail(above, bench.top)))
    named.append((beside, bench.draw_detail(beside, bench.side)))
    _notes(text, lines)
    figure.draw_without_rendering()
    for axes, labels in named:
        labels.place(axes)
    return figure


def _notes(axes: Axes, lines: Sequence[str]) -> None:
    axes.set_axis_off()
    axes.text(
        0.0, 1.0, "\n".join(lines), fontsize=10, color=QUIET, va="top", linespacing=1.4,
        transform=axes.transAxes,
    )  # fmt: skip
