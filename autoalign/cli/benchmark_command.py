"""``autoalign benchmark``: how fast it is, side by side with others, on this machine."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from autoalign.cli.output import note, print_facts, print_table, print_text

if TYPE_CHECKING:
    from autoalign.benchmark.timing import Figure, Section

__all__ = ["benchmark"]

PARTS = ("trace", "memory", "render", "beam", "model", "journal")
"""What is measured, in this order."""


def benchmark(
    *,
    only: str = ",".join(PARTS),
    quick: Annotated[bool, Parameter(negative="")] = False,
    folder: Path = Path(),
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Measure how fast everything is here, turn about with general-purpose libraries.

    The exact trace against a compiled one and its memory, rendered frames and their error, the
    analysis of a frame, the model's own time per look, and a durable record against a raw write to
    the same disk. One thread each. Median and quartiles; processor time, except where a disk is
    waited for. Needs nothing else installed: what is missing is said.

    Parameters
    ----------
    only
        Parts to measure, separated by commas.
    quick
        Fewer repeats and smaller samples: whether it runs, and roughly how fast.
    folder
        Where the journal is written for a moment: the disk that runs are kept on.
    json
        Print figures as JSON.
    """
    from threadpoolctl import threadpool_limits  # noqa: PLC0415 - heavy

    parts = _chosen(only)
    found: dict[str, Section] = {}
    with threadpool_limits(1):
        for name, measure in _measures(quick, folder, parts).items():
            note(f"measuring: {name}")
            found[name] = measure()
            if not json:
                _print(found[name])
    if json:
        print_facts({"machine": _machine(), "parts": {k: asdict(s) for k, s in found.items()}})
    else:
        print_text(_HOW)
    return 0


_HOW = (
    "Median and quartiles of repeats taken turn about, one thread each. A speed over another's is "
    "above 1 where this library is the faster; it is taken round by round."
)


def _chosen(asked: str) -> list[str]:
    from autoalign.core.errors import UsageError, unknown_name  # noqa: PLC0415

    chosen = [n for n in dict.fromkeys(n.strip() for n in asked.split(",")) if n]
    if not chosen:
        raise UsageError(f"benchmark: nothing to measure; known: {', '.join(PARTS)}.")
    for name in chosen:
        if name not in PARTS:
            raise unknown_name("part", name, PARTS, "benchmark")
    return [n for n in PARTS if n in chosen]


def _measures(quick: bool, folder: Path, parts: list[str]) -> Mapping[str, Callable[[], Section]]:
    """Return what measures each part; compiled libraries are loaded before threads are limited."""
    from autoalign.benchmark.beam_speed import measure_measuring  # noqa: PLC0415 - heavy
    from autoalign.benchmark.journal_latency import measure_journal  # noqa: PLC0415
    from autoalign.benchmark.model_speed import measure_thinking  # noqa: PLC0415
    from autoalign.benchmark.render_speed import measure_rendering  # noqa: PLC0415
    from autoalign.benchmark.trace_memory import measure_memory  # noqa: PLC0415
    from autoalign.benchmark.trace_speed import measure_trace  # noqa: PLC0415
    from autoalign.plugins import plugin  # noqa: PLC0415

    def simulated() -> Any:
        return plugin("simulations", "collimator")

    counts, chunks = ((1_000, 10_000), (2, 4)) if quick else ((1_000, 30_000, 300_000), (2, 8, 64))
    everything: dict[str, Callable[[], Section]] = {
        "trace": lambda: measure_trace(counts, 3 if quick else 40),
        "memory": lambda: measure_memory(chunks),
        "render": lambda: measure_rendering(simulated(), 3 if quick else 60, 2 if quick else 8),
        "beam": lambda: measure_measuring(2 if quick else 25),
        "model": lambda: measure_thinking(
            lambda seed: simulated()(seed).bench(),
            plugin("strategies", "model"),
            range(1 if quick else 8),
        ),
        "journal": lambda: measure_journal(folder, 5 if quick else 60),
    }
    return {name: everything[name] for name in parts}


def _machine() -> dict[str, Any]:
    import os  # noqa: PLC0415
    import platform  # noqa: PLC0415

    import numpy as np  # noqa: PLC0415

    return {
        "system": platform.platform(),
        "python": platform.python_version(),
        "numpy": np.__version__,
        "processors": os.cpu_count(),
    }


def _print(section: Section) -> None:
    print_text(section.title)
    print_table(("", "median", "quartiles", ""), [_row(f) for f in section.figures])
    for remark in section.remarks:
        print_text(remark, indent="  ")
    print_text()


def _row(f: Figure) -> tuple[str, ...]:
    spread = f"{_short(f.low)} – {_short(f.high)}" if f.repeats > 1 else ""
    return (f.name, _short(f.value), spread, f.unit)


def _short(value: float) -> str:
    return f"{value:.3g}" if value < 1000 else f"{value:.0f}"
