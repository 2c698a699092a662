"""One picture of a campaign: what part of the runs was in spec after so many looks."""

from __future__ import annotations

import math
from collections.abc import Sequence
from pathlib import Path

import numpy as np

from autoalign.benchmark.outcome import Outcome
from autoalign.benchmark.statistics import runtime_ecdf, success_interval
from autoalign.report.style import INK, QUIET, SERIES, dress, new_figure, plain, save_png

__all__ = ["draw_campaign"]

_DASHES = ("-", (0, (5, 1.5)), (0, (1.5, 1.2)))


def draw_campaign(outcomes: Sequence[Outcome], path: str | Path) -> Path:
    """Draw one panel for each bench, one line for each strategy; unsuccessful runs never arrive.

    The number of runs and Wilson's 95 % interval of the success stand in the legend, so that a
    small campaign does not look better than it is.
    """
    benches = list(dict.fromkeys(o.case.where for o in outcomes))
    figure = new_figure(8.0, 4.6 * max(1, len(benches)))
    panels = figure.subplots(max(1, len(benches)), 1, squeeze=False)[:, 0]
    for panel, bench in zip(panels, benches, strict=True):
        group = [o for o in outcomes if o.case.where == bench]
        most = max(10, *(o.probes for o in group))
        looks = np.unique(np.geomspace(1, most, 400).round(3))
        for k, strategy in enumerate(dict.fromkeys(o.strategy for o in group)):
            runs = [o for o in group if o.strategy == strategy]
            spent = [float(o.probes) if o.reached else math.inf for o in runs]
            colour, dashes = SERIES[k % len(SERIES)][0], _DASHES[k // len(SERIES) % len(_DASHES)]
            panel.step(
                looks, 100 * runtime_ecdf(spent, looks), where="post", color=colour,
                linestyle=dashes, linewidth=2.0, label=_label(strategy, runs),
            )  # fmt: skip
        panel.set_xscale("log")
        ticks = [t for t in (1, 2, 3, 5, 10, 20, 50, 100, 200, 500, 1000) if t <= most]
        panel.set_xticks(ticks, [str(t) for t in ticks])
        panel.minorticks_off()
        panel.set_ylim(-2, 102)
        dress(panel, "looks, number", "runs in spec, %", f"{bench}: in spec after so many looks")
        panel.axhline(100, color=QUIET, linewidth=0.8)
        panel.legend(loc="upper left", bbox_to_anchor=(1.01, 1.0), frameon=False, labelcolor=INK)
    return save_png(figure, path)


def _label(strategy: str, runs: Sequence[Outcome]) -> str:
    reached = sum(o.reached for o in runs)
    low, high = success_interval(reached, len(runs))
    return plain(f"{strategy}: {reached}/{len(runs)} ({100 * low:.0f}–{100 * high:.0f} %)")
