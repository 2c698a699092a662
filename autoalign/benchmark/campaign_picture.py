"""One picture of a campaign: the percentage of runs in spec against measurements."""

from __future__ import annotations

import io
import math
from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.lines import Line2D

from autoalign.benchmark.outcome import Outcome
from autoalign.benchmark.statistics import (
    data_profile,
    performance_profile,
    restarted_ecdf,
    runtime_ecdf,
    success_interval,
)
from autoalign.core.files import atomic_write
from autoalign.core.units import rounded
from autoalign.report.style import INK, QUIET, SERIES, dress, new_figure, plain, save_png

__all__ = ["draw_campaign", "profile_figure", "success_figure", "svg_bytes"]

Floats = npt.NDArray[np.float64]
Flags = npt.NDArray[np.bool_]

_DASHES: tuple[Any, ...] = ("-", (0, (5, 1.5)), (0, (1.5, 1.2)))
_POINTS = 400
"""Points along the axis of measurements."""
_TURN = 12
"""Of these, how many in a row one of several curves that coincide for a stretch has to itself."""
_WIDTH = 2.0
"""Of a line, points."""
_DASH = 4.0
"""Length of what one of several equal curves shows at a time, line widths."""


def draw_campaign(outcomes: Sequence[Outcome], path: str | Path) -> Path:
    """Draw :func:`success_figure` as PNG to ``path``, and as SVG beside it; return ``path``."""
    figure = success_figure(outcomes)
    atomic_write(Path(path).with_suffix(".svg"), svg_bytes(figure))
    return save_png(figure, path)


def success_figure(outcomes: Sequence[Outcome], restarts: bool = False) -> Figure:
    """Draw one panel for each bench, one line for each strategy; unsuccessful runs never arrive.

    With ``restarts`` they are started again, see :func:`.statistics.restarted_ecdf`. Where curves
    coincide they are shown by turns, so that none hides another; curves that are equal all the way
    are named together. The number of runs and Wilson's 95 % interval of the success stand in the
    legend, so that a small campaign does not appear better than it is.
    """
    benches = list(dict.fromkeys(o.case.where for o in outcomes))
    figure = new_figure(8.0, 4.2 * max(1, len(benches)))
    panels = figure.subplots(max(1, len(benches)), 1, squeeze=False)[:, 0]
    for panel, bench in zip(panels, benches, strict=True):
        _draw_bench(panel, bench, [o for o in outcomes if o.case.where == bench], restarts)
    return figure


def profile_figure(outcomes: Sequence[Outcome]) -> Figure:
    """Draw performance and data profiles of each strategy over every bench and seed."""
    names = _strategies(outcomes)
    cost = {n: {(o.case.where, o.seed): o for o in outcomes if o.strategy == n} for n in names}
    shared = sorted(set.intersection(*(set(c) for c in cost.values())))
    figure = new_figure(8.0, 3.6)
    left, right = figure.subplots(1, 2)
    ratios, budgets = np.geomspace(1, 64, _POINTS), np.geomspace(0.1, 100, _POINTS)
    by_ratio = performance_profile({n: [cost[n][k].cost for k in shared] for n in names}, ratios)
    for k, name in enumerate(names):
        own = list(cost[name].values())
        by_budget = data_profile([o.cost for o in own], [o.axes for o in own], budgets)
        colour, _, dashes = SERIES[k % len(SERIES)]
        look: dict[str, Any] = {"color": colour, "linestyle": dashes, "linewidth": _WIDTH}
        left.step(ratios, 100 * by_ratio[name], where="post", label=plain(name), **look)
        right.step(budgets, 100 * by_budget, where="post", **look)
    for panel in (left, right):
        panel.set_xscale("log")
        panel.set_ylim(-2, 102)
        panel.minorticks_off()
    left.set_xticks([1, 2, 4, 8, 16, 32, 64], ["1", "2", "4", "8", "16", "32", "64"])
    right.set_xticks([0.1, 1, 10, 100], ["0.1", "1", "10", "100"])
    dress(left, "measurements over those of the best", "problems in spec, %", "performance")
    dress(right, "measurements over axes + 1", "problems in spec, %", "data")
    figure.legend(loc="outside lower center", ncols=4, frameon=False, labelcolor=INK)
    return figure


def svg_bytes(figure: Figure) -> bytes:
    """Return the figure as SVG; the same figure gives the same bytes."""
    from matplotlib import rc_context  # noqa: PLC0415

    with rc_context({"svg.hashsalt": "autoalign", "svg.fonttype": "none"}):
        held = io.BytesIO()
        figure.savefig(held, format="svg", metadata={"Date": None, "Creator": "autoalign"})
    return held.getvalue()


def _draw_bench(panel: Axes, bench: str, group: Sequence[Outcome], restarts: bool = False) -> None:
    most = max(10, *(o.measurements for o in group))
    measurements = np.geomspace(1, most, _POINTS).round(3)
    runs = {name: [o for o in group if o.strategy == name] for name in _strategies(group)}
    curves = {n: 100 * _curve(own, measurements, restarts) for n, own in runs.items()}
    turns = _turns(curves)
    handles = []
    for k, (name, own) in enumerate(runs.items()):
        colour = SERIES[k % len(SERIES)][0]
        dashes = _DASHES[k // len(SERIES) % len(_DASHES)]
        equal = _equal(curves, name)
        seen = _by_turns(equal.index(name), len(equal)) or dashes
        for layer, part in enumerate((curves[name], np.where(turns[name], curves[name], math.nan))):
            panel.step(measurements, part, where="post", color=colour, linewidth=_WIDTH,
                       linestyle=seen, zorder=2 + layer, dash_capstyle="butt",
                       solid_capstyle="butt")  # fmt: skip
        label = _label(name, own, [n for n in equal if n != name])
        handles.append(
            Line2D([], [], color=colour, linewidth=_WIDTH, linestyle=dashes, label=label)
        )
    panel.set_xscale("log")
    ticks = [t for t in (1, 2, 3, 5, 10, 20, 50, 100, 200, 500, 1000) if t <= most]
    panel.set_xticks(ticks, [str(t) for t in ticks])
    panel.minorticks_off()
    panel.set_ylim(-2, 102)
    budgets = " and ".join(str(b) for b in sorted({o.budget for o in group}))
    title = f"{bench} (at most {budgets} measurements)"
    dress(panel, "number of measurements", "runs in spec, %", title)
    panel.axhline(100, color=QUIET, linewidth=0.8, zorder=1)
    panel.legend(
        handles=handles, loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False,
        labelcolor=INK,
    )  # fmt: skip


def _strategies(group: Sequence[Outcome]) -> list[str]:
    return list(dict.fromkeys(o.strategy for o in group))


def _curve(runs: Sequence[Outcome], at: Floats, restarts: bool) -> Floats:
    if restarts:
        return restarted_ecdf([o.measurements for o in runs], [o.reached for o in runs], at)
    return runtime_ecdf([o.cost for o in runs], at)


def _equal(curves: Mapping[str, Floats], name: str) -> list[str]:
    """Return the strategies whose curve is that of ``name`` all the way, itself included."""
    return [n for n, curve in curves.items() if np.array_equal(curve, curves[name])]


def _by_turns(rank: int, many: int) -> tuple[float, tuple[float, float]] | None:
    """Return dashes that leave room for those of the other equal curves; None for the lowest."""
    if rank == 0:
        return None
    return (many - rank) * _DASH, (_DASH, (many - 1) * _DASH)


def _turns(curves: Mapping[str, Floats]) -> dict[str, Flags]:
    """Return where each curve is to be seen of the different ones that coincide for a stretch."""
    first = {name: _equal(curves, name)[0] for name in curves}
    different = list(dict.fromkeys(first.values()))
    table = np.array([curves[name] for name in different])
    same = table[:, None, :] == table[None, :, :]
    sharing = same.sum(axis=1)
    rank = np.array([same[k, :k].sum(axis=0) for k in range(len(table))])
    mine = (sharing > 1) & (np.arange(table.shape[1]) // _TURN % sharing == rank)
    mine[:, 1:] |= mine[:, :-1]
    return {name: mine[different.index(first[name])] for name in curves}


def _label(strategy: str, runs: Sequence[Outcome], equal: Sequence[str]) -> str:
    """Return what the legend says of a strategy, and with which others its curve is one."""
    reached = sum(o.reached for o in runs)
    low, high = success_interval(reached, len(runs))
    text = plain(
        f"{strategy}: {reached}/{len(runs)} ({rounded(100 * low, 0)}–{rounded(100 * high, 0)} %)"
    )
    return f"{text}\n{plain('same curve as ' + ', '.join(equal))}" if equal else text
