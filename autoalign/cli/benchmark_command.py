"""``autoalign benchmark``: speed on this machine, side by side with general-purpose libraries."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import asdict
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from autoalign.cli.numbers import split_list
from autoalign.cli.output import print_facts, print_table, print_text
from autoalign.cli.progress import telling
from autoalign.core.units import number, rounded

if TYPE_CHECKING:
    from autoalign.benchmark.timing import Figure, Section

__all__ = ["benchmark"]

PARTS = ("trace", "memory", "render", "beam", "model", "journal")
"""Parts of the benchmark, in their order."""


def benchmark(
    *,
    only: Annotated[tuple[str, ...], Parameter(negative="")] = PARTS,
    quick: Annotated[bool, Parameter(negative="")] = False,
    folder: Path = Path(),
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Benchmark this computer, interleaved with general-purpose libraries.

    Covers exact ray tracing against compiled ray tracing and its memory, rendering and its error,
    the analysis of a frame, the model's compute time per measurement, and a journal entry against
    a plain write to the same disk. One thread each. Median and quartiles of CPU time, or of
    elapsed time for the disk. Nothing else needs to be installed; missing libraries are named.

    Parameters
    ----------
    only
        Parts to run, separated by commas; the option may be repeated.
    quick
        Fewer repeats and smaller samples, for a rough figure.
    folder
        Folder for the temporary journal; choose the disk on which your runs are kept.
    json
        Print the result as JSON.
    """
    from threadpoolctl import threadpool_limits  # noqa: PLC0415 - heavy

    parts = _chosen(only)
    found: dict[str, Section] = {}
    with threadpool_limits(1):
        for name, measure in _measures(quick, folder, parts).items():
            with telling(every=0) as tell:
                tell(f"Benchmark: {name}")
                found[name] = measure()
            if not json:
                _print(found[name])
    if json:
        print_facts({"machine": _machine(), "parts": {k: asdict(s) for k, s in found.items()}})
    else:
        print_text(_HOW)
    return 0


_HOW = (
    "Median and quartiles of interleaved repeats, one thread each. A speed ratio above 1 means "
    "that this library is faster; ratios are taken repeat by repeat."
)


def _chosen(asked: Sequence[str]) -> list[str]:
    from autoalign.core.errors import UsageError, unknown_name  # noqa: PLC0415

    chosen = split_list(asked)
    if not chosen:
        raise UsageError(f"benchmark: no part given; available: {', '.join(PARTS)}.")
    for name in chosen:
        if name not in PARTS:
            raise unknown_name("part", name, PARTS, "benchmark")
    return [n for n in PARTS if n in chosen]


def _measures(quick: bool, folder: Path, parts: list[str]) -> Mapping[str, Callable[[], Section]]:
    """Return the function of each part; compiled libraries load before threads are limited."""
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
    return number(value) if value < 1000 else rounded(value, 0)
