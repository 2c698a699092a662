"""One page of a campaign: conclusion, tables, plots and what is needed to repeat it."""

from __future__ import annotations

import base64
import math
import platform
from collections.abc import Callable, Sequence
from importlib.metadata import PackageNotFoundError, version
from pathlib import Path

from matplotlib.figure import Figure

from autoalign.benchmark.campaign_picture import profile_figure, success_figure, svg_bytes
from autoalign.benchmark.conclusion import conclusions, explained, percent_band
from autoalign.benchmark.outcome import Outcome
from autoalign.benchmark.statistics import (
    BUDGETS,
    Change,
    Summary,
    fixed_budgets,
    success_interval,
    summarise,
)
from autoalign.core.files import atomic_write
from autoalign.core.units import given, rounded
from autoalign.report.markup import Html, figure, join, page, table, tag

__all__ = ["write_page"]

_COUNTS = ("false “in spec”", "worse than start", "faults reported")
_TIGHT = ("strategy", "median", "in spec", "expected", "bench time")

_PACKAGES = ("autoalign", "numpy", "scipy", "joblib", "scikit-optimize", "cmaes", "DFO-LS")


def write_page(
    outcomes: Sequence[Outcome], path: Path, found: Sequence[Change] | None = None
) -> Path:
    """Write the page of ``outcomes`` to ``path`` and return it.

    It needs nothing outside itself. ``found`` is what has changed against an earlier campaign.
    """
    rows = summarise(outcomes)
    body = [
        tag("h1", "Comparison of search strategies"),
        tag("p", "All benches are simulated.", class_="where"),
        tag("div", *(tag("p", text) for text in conclusions(outcomes)), class_="verdict"),
    ]
    if found is not None:
        body += [tag("h2", "Against the earlier campaign"), _against(found)]
    body += [tag("h2", "Measurements to spec"), _summaries(rows)]
    body += [tag("p", text, class_="small") for text in explained(outcomes)]
    body += [
        tag("h2", "Runs in spec against measurements"),
        _picture(success_figure(outcomes), "Percentage of runs in spec against measurements.", ""),
    ]
    if any(0 < r.reached < r.runs for r in rows):
        body += [
            tag("h2", "The same if failed runs start again"),
            _picture(
                success_figure(outcomes, restarts=True),
                "Percentage of searches in spec against measurements, failed runs started again.",
                "Runs are drawn from those made until one is in spec, and all their measurements "
                "count (1000 simulated searches for each curve).",
            ),
        ]
    if len({o.strategy for o in outcomes}) > 1:
        body += [
            tag("h2", "All benches together"),
            _picture(
                profile_figure(outcomes),
                "Performance profile and data profile of each strategy.",
                "Left: percentage of all benches and seeds on which a strategy needs at most this "
                "multiple of the measurements of the best (Dolan and Moré, 2002). Right: "
                "percentage in spec against measurements divided by the number of axes plus one "
                "(Moré and Wild, 2009).",
            ),
        ]
    body += [tag("h2", "Runs in spec within a budget"), _within(outcomes)]
    body += [tag("h2", "To repeat it"), _set_up(outcomes)]
    return atomic_write(path, page("Comparison of search strategies", *body))


def _summaries(rows: Sequence[Summary]) -> Html:
    """Return the main table; what is zero on every row is left to a sentence."""
    columns = {
        "bench": [r.bench for r in rows],
        "rank": [str(r.rank) for r in rows],
        "strategy": [r.strategy for r in rows],
        "median": [_with_band(r.median, r.median_band, _count) for r in rows],
        "95 % of runs": [_count(r.p95) for r in rows],
        "in spec": [f"{r.reached}/{r.runs} ({percent_band(r.success_band, r.runs)})" for r in rows],
        "expected": [_with_band(r.expected, r.expected_band, _mean) for r in rows],
        "false “in spec”": [str(r.false_in_spec) for r in rows],
        "worse than start": [str(r.worse_than_start) for r in rows],
        "faults reported": [str(r.faults_reported) for r in rows],
        "bench time": [f"{rounded(r.bench_seconds, 1)} s" for r in rows],
    }
    zero = [k for k in _COUNTS if set(columns[k]) == {"0"}]
    kept = {k: [c.replace(" ", "\N{NO-BREAK SPACE}") if k in _TIGHT else c for c in v]
            for k, v in columns.items() if k not in zero}  # fmt: skip
    shown = table(
        "Measurements until in spec, by bench and strategy; 95 % intervals in brackets",
        list(kept), list(zip(*kept.values(), strict=True)), "cards",
    )  # fmt: skip
    none = f"On no bench: {', '.join(zero)}." if zero else ""
    return join([shown, tag("p", none, class_="small")] if zero else [shown])


def _with_band(value: float, band: tuple[float, float] | None, said: Callable[[float], str]) -> str:
    if band is None:
        return f"{said(value)} (too few runs)"
    if math.isinf(band[0]):
        return said(value)
    return f"{said(value)} ({said(band[0])}–{said(band[1])})"


def _within(outcomes: Sequence[Outcome]) -> Html:
    most = max(o.budget for o in outcomes)
    budgets = [b for b in BUDGETS if b <= most] or [most]
    runs: dict[tuple[str, str], int] = {}
    for o in outcomes:
        key = (o.case.where, o.strategy)
        runs[key] = runs.get(key, 0) + 1
    lines = []
    for (bench, strategy), counts in fixed_budgets(outcomes, budgets).items():
        cells = [_share(c, runs[bench, strategy]) for c in counts]
        lines.append((bench, strategy, *cells))
    head = ("bench", "strategy", *(f"≤ {b}" for b in budgets))
    return table(
        "Percentage of runs in spec within a number of measurements, with Wilson's 95 % interval",
        head,
        lines,
        "cards",
    )


def _against(found: Sequence[Change]) -> Html:
    head = ("bench", "strategy", "now", "better", "worse", "same", "p")
    lines = [
        (c.bench, c.strategy, c.verdict, str(c.better), str(c.worse), str(c.same), rounded(c.p, 4))
        for c in found
    ]
    caption = (
        "Seeds on which fewer or more measurements were needed than before; two-sided sign test, "
        "p after Holm's correction over all rows"
    )
    return table(caption, head, lines, "cards")


def _set_up(outcomes: Sequence[Outcome]) -> Html:
    def each(values: Sequence[object]) -> str:
        return ", ".join(map(str, dict.fromkeys(values)))

    seeds = sorted({o.seed for o in outcomes})
    facts = {
        "strategies": each([o.strategy for o in outcomes]),
        "benches": each([o.bench for o in outcomes]),
        "drifts": each([f"{o.drift:g}" for o in outcomes]),
        "seeds": f"{seeds[0]} to {seeds[-1]} ({len(seeds)})",
        "budget": f"{each([o.budget for o in outcomes])} measurements",
        "fidelity": each([o.fidelity for o in outcomes]),
        "runs by version": each([o.version for o in outcomes]),
        "page by": f"Python {platform.python_version()}, " + ", ".join(_versions()),
    }
    return tag("dl", *(part for k, v in facts.items() for part in (tag("dt", k), tag("dd", v))))


def _versions() -> list[str]:
    found = []
    for name in _PACKAGES:
        try:
            found.append(f"{name} {version(name)}")
        except PackageNotFoundError:
            continue
    return found


def _picture(drawn: Figure, alternative: str, caption: str) -> Html:
    source = "data:image/svg+xml;base64," + base64.b64encode(svg_bytes(drawn)).decode("ascii")
    return tag("div", figure(source, alternative, caption), class_="wide scroll")


def _share(count: int, runs: int) -> str:
    band = percent_band(success_interval(count, runs), runs)
    return f"{rounded(100 * count / runs, 0)} % ({band})".replace(" ", "\N{NO-BREAK SPACE}")


def _mean(measurements: float) -> str:
    return rounded(measurements, 1) if math.isfinite(measurements) else "∞"


def _count(measurements: float) -> str:
    return given(measurements) if math.isfinite(measurements) else "∞"
