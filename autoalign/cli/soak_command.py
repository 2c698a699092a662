"""``autoalign soak``: days or a year of the watch on a simulated bench, judged by its truth."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from autoalign.cli.exits import Exit
from autoalign.cli.numbers import checked_seed
from autoalign.cli.output import print_facts, print_pairs
from autoalign.cli.progress import telling
from autoalign.core.units import given, rounded

__all__ = ["soak"]


def soak(
    *,
    days: float = 30.0,
    noise: float = 0.3,
    drift: float = 0.5,
    faults: float = 0.0,
    seed: int = 0,
    bench: str = "collimator",
    strategy: str = "model",
    output: Path | None = None,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Watch a simulated bench over days of virtual time, and judge the watch by the hidden truth.

    No hardware is touched. The bench drifts at random, its measurements are as noisy as asked for,
    and faults happen at random if asked for: the light goes off, a camera or a controller falls
    silent, the bench is knocked, an axis is moved from elsewhere, a person takes the bench. Exit
    code 1 if a rule was violated.

    Parameters
    ----------
    days
        Days of virtual time.
    noise
        Noise of one exposure, in tolerances of the worst term; the noise of the simulated cameras
        is the least possible.
    drift
        Standard deviation of the drift rate, tolerances a day; the rate changes within half a day.
    faults
        Faults a day, on average.
    seed
        Seed of the bench, the drift, the noise and the faults.
    bench
        Simulated bench; "autoalign plugins simulations" lists them.
    strategy
        Search strategy of a realignment.
    output
        Folder that keeps the journals; by default they are removed at the end.
    json
        Print the result as JSON.
    """
    from autoalign.plugins import plugin  # noqa: PLC0415
    from autoalign.watch.soak import SoakPlan, facts  # noqa: PLC0415 - heavy
    from autoalign.watch.soak import soak as carry_out  # noqa: PLC0415

    checked_seed("--seed", seed)
    plan = SoakPlan(days, noise, drift, faults, seed)
    made = plugin("simulations", bench)(seed, fidelity="moments").bench()
    with telling() as tell:
        result = carry_out(
            made,
            plugin("strategies", strategy),
            plan,
            folder=output,
            progress=lambda day: tell(f"Day {day:.0f} of {days:g}"),
        )
    if json:
        print_facts(facts(result))
    else:
        _print(facts(result))
    return Exit.NOT_IN_SPEC if result.violations else Exit.IN_SPEC


_SHOWN = {
    "days": "Days",
    "bench": "Bench",
    "noise": "Noise of one exposure, tolerances",
    "exposures_averaged": "Exposures averaged",
    "drift": "Drift rate, tolerances a day",
    "measurements": "Measurements",
    "realignments": "Realignments",
    "realignments_per_day": "Realignments a day",
    "needless": "Needless realignments",
    "needless_within_systematics": "Of these, closer to a limit than cameras can tell",
    "needless_in_30_days": "Needless realignments in 30 days",
    "pauses": "Pauses",
    "false_pauses": "False pauses",
    "outages": "Outages",
    "violations": "Violations of the rules",
    "share_in_spec": "Share of time in spec",
    "share_undisturbed": "Share of time in spec, without faults",
    "state": "Ended",
    "compute_seconds": "Compute time, s",
    "records_mb": "Records, MB",
}


def _print(found: dict[str, object]) -> None:
    pairs = []
    for key, label in _SHOWN.items():
        value = found[key]
        if key.startswith("share"):
            text = f"{rounded(100 * float(str(value)), 2)} %"
        else:
            text = given(value) if isinstance(value, float) else str(value)
        pairs.append((label, text))
    injected = found["injected"]
    assert isinstance(injected, dict)
    pairs += [(f"Times {kind}", str(count)) for kind, count in sorted(injected.items())]
    print_pairs(pairs, indent="")
