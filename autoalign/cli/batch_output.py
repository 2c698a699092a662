"""``autoalign compare --batch``: very many simulated alignments at once, and what came of them."""

from __future__ import annotations

import time
from collections.abc import Sequence
from typing import Any, Literal

import numpy as np

from autoalign.benchmark.batch import BatchBench, BatchOutcome, batch_align
from autoalign.benchmark.statistics import success_interval
from autoalign.cli.exits import Exit
from autoalign.cli.output import print_facts, print_pairs, print_text
from autoalign.core.errors import MissingNeedError, UsageError
from autoalign.core.foreign import require_extra
from autoalign.core.units import number
from autoalign.plugins import plugin

__all__ = ["Device", "run_batch"]

Device = Literal["cpu", "cupy", "jax"]


def run_batch(
    trials: int, device: Device, benches: Sequence[str], seed: int, budget: int, json: bool
) -> Exit:
    """Align ``trials`` drawn benches at once and print what came of them.

    Raises
    ------
    UsageError
        For another bench than one collimator.
    MissingExtraError
        Where the library of the accelerator is not installed.
    """
    kinds = list(benches) or ["collimator"]
    if len(kinds) != 1:
        raise UsageError("--batch takes one simulated bench, a collimator.")
    simulation = plugin("simulations", kinds[0])(seed=0)
    bench = simulation.bench()
    try:
        if bench.layout is None or bench.spec is None:
            raise MissingNeedError(f"--batch: {kinds[0]} has no layout or no spec.")
        case = BatchBench(
            bench.layout, bench.spec, simulation.truth.ranges, known=_known(bench.uncertainties)
        )
    finally:
        bench.close()
    xp, compiled, chunk = _library(device)
    began = time.perf_counter()
    found = batch_align(
        case, trials, np.random.default_rng(seed), budget=budget, xp=xp, compiled=compiled,
        chunk=chunk,
    )  # fmt: skip
    _print(found, kinds[0], time.perf_counter() - began, device, seed, json)
    return Exit.IN_SPEC


def _known(stated: Any) -> dict[str, float]:
    """Return what is stated for all planes alike: the largest of each."""
    known: dict[str, float] = {}
    for key, value in stated.items():
        what = key.rpartition(".")[2]
        if what in ("scale", "direction", "pitch", "fiducial", "roll"):
            known[what] = max(known.get(what, 0.0), float(value))
    return known


def _library(device: Device) -> tuple[Any, Any, int]:
    if device == "cpu":
        return np, None, 500
    if device == "cupy":
        require_extra("compare, --device cupy,", "gpu", "cupy")
        import cupy  # noqa: PLC0415

        return cupy, None, 16000
    require_extra("compare, --device jax,", "gpu", "jax")
    import jax  # noqa: PLC0415

    jax.config.update("jax_enable_x64", True)
    return jax.numpy, jax.jit, 16000


def _print(
    found: BatchOutcome, kind: str, seconds: float, device: str, seed: int, json: bool
) -> None:
    runs = len(found.measurements)
    reached = found.measurements[found.claimed]
    false = int(np.count_nonzero(found.claimed & ~found.true))
    shares = {
        "in spec by the truth": int(np.count_nonzero(found.true)),
        "claimed to be in spec": int(np.count_nonzero(found.claimed)),
        "claimed, and not so": false,
    }
    median = float(np.median(reached)) if len(reached) else None
    most = float(np.quantile(reached, 0.95)) if len(reached) else None
    if json:
        print_facts(
            {
                "bench": kind, "trials": runs, "seed": seed, "device": device,
                "seconds": seconds, "median of measurements": median,
                "95 % of measurements": most,
                "counts": {str(k): int(n) for k, n in enumerate(np.bincount(found.measurements))},
                "shares": {
                    name: {"count": n, "interval": success_interval(n, runs)}
                    for name, n in shares.items()
                },
            }
        )  # fmt: skip
        return
    print_text(
        f"{runs} simulated alignments of the {kind} in {number(seconds, 2)} s on {device}, "
        f"{number(runs / max(seconds, 1e-9), 2)} a second, moments alone; seed {seed}."
    )
    rows = []
    if reached.size:
        rows.append(("measurements to spec", f"median {median:g}, 95 % of runs {most:g}"))
    for name, n in shares.items():
        low, high = success_interval(n, runs)
        rows.append(
            (name, f"{n} of {runs} ({100 * low:.4g}–{100 * high:.4g} %, Wilson's 95 % interval)")
        )
    print_pairs(rows)
    print_text(
        "Left out against a run with frames: the search for lost light, wrong wires and cameras, "
        "backlash, and everything that a camera does to pixels."
    )
