"""Sets of simulated problems for comparing strategies: named, versioned, drawn from seeds.

A problem is a family of benches with one difficulty: less light, worn screws, drift, unequal steps,
starts that the sensors cut, wrong statements about the bench, clutter in the light, a tighter spec.
The same seed draws the same bench under every difficulty. A set never changes once it is numbered:
what is changed gets the next version, since figures of two versions cannot be compared.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import dataclass, field, replace
from functools import partial
from typing import Any

import numpy as np

from autoalign.bench import Bench
from autoalign.core.errors import UsageError
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout, steering_layout
from autoalign_simulators import collimator, focuser, relay, steering, textbook

__all__ = ["CLUTTERED", "EVERYDAY", "HARD", "HELD_OUT", "TEXTBOOK", "ProblemSet", "drawn"]

Make = Callable[[int, str], Bench]

FAMILIES: Mapping[str, Any] = {
    "collimator": collimator, "focuser": focuser, "relay": relay, "steering": steering,
}  # fmt: skip

HELD_OUT_SEEDS = 1_000_003
"""Added to the seeds of the set that is kept apart, so that none of its benches was met before."""


@dataclass(frozen=True, slots=True)
class ProblemSet:
    """Problems that belong together.

    Parameters
    ----------
    version
        Number of the version.
    summary
        What the set is for, in a line.
    problems
        By name: makes the bench of a seed at a fidelity ("frames" or "moments").
    held_out
        No default of the library was chosen by looking at this set.
    """

    version: int
    summary: str
    problems: Mapping[str, Make] = field(default_factory=dict)
    held_out: bool = False


def drawn(
    seed: int, fidelity: str, *, family: str, start: float = 1.0, spec: float = 1.0,
    power: float = 1.0, worn: float = 1.0, drift: float = 0.0, misstated: bool = False,
    later_seeds: int = 0, **options: Any,
) -> Bench:  # fmt: skip
    """Return the bench of ``seed``.

    Parameters
    ----------
    family
        One of :data:`FAMILIES`.
    start
        Misalignment over what the family draws.
    spec
        Tolerances over the family's own.
    power
        Light over the family's own.
    worn
        Backlash over what the motors have, so that with 3 most exceed what the maker states.
    drift
        Steady drift of every axis, in either direction: part of its starting range in an hour.
    misstated
        The bench says that its last plane is 3 % further away than it is, and one axis moves a
        quarter more than it says.
    later_seeds
        Added to the seed.
    options
        For the family.
    """
    number = seed + later_seeds
    make = partial(FAMILIES[family].simulate, number, fidelity=fidelity, **options)
    if drift:
        rng = np.random.default_rng([number, 0xD41F])
        rates = {
            a: float(rng.choice([-1.0, 1.0])) * drift * width / 3600
            for a, width in FAMILIES[family].START.items()
        }
        make = partial(make, drift=rates)
    if start != 1:
        hidden = make().truth.hidden
        make = partial(make, hidden={a: start * v for a, v in hidden.items()})
    simulation = make()
    world = simulation.truth.world
    world.power = power
    if worn != 1:
        for motor in simulation.motors.values():
            motor.traits = replace(motor.traits, backlash=worn * motor.traits.backlash)
    bench: Bench = simulation.bench()
    if misstated:
        motor = world.motors[next(iter(bench.free_axes))]
        motor.traits = replace(motor.traits, scale=1.25 * motor.traits.scale)
        bench = replace(bench, layout=_misstated(bench))
    if spec != 1:
        assert bench.spec is not None
        terms: Any = bench.spec.terms
        tight = tuple(replace(t, tolerance=spec * t.tolerance) for t in terms)
        bench = replace(bench, spec=replace(bench.spec, terms=tight))
    return bench


def _misstated(bench: Bench) -> Any:
    assert bench.layout is not None
    *rest, last = bench.layout.planes
    return replace(bench.layout, planes=(*rest, replace(last, distance=1.03 * last.distance)))


def _frames_only(seed: int, fidelity: str, **options: Any) -> Bench:
    if fidelity != "frames":
        raise UsageError(
            "problem: clutter in the light shows in pixels alone; give --fidelity frames."
        )
    return drawn(seed, fidelity, **options)


def _each(what: Mapping[str, Mapping[str, Any]], make: Any = drawn) -> dict[str, Make]:
    return {
        f"{family}-{name}": partial(make, family=family, **options)
        for family in FAMILIES
        for name, options in what.items()
    }


EVERYDAY = ProblemSet(
    1,
    "the four families as they are, dim, worn, drifting and with unequal steps",
    _each({
        "plain": {}, "dim": {"power": 0.01}, "worn": {"worn": 3.0}, "drifting": {"drift": 0.5},
        "unequal-steps": {"inertia": True},
    }),
)  # fmt: skip
"""What a bench is like on most days."""

HARD = ProblemSet(
    1,
    "starts that the sensors cut, wrong statements about the bench, tight specs",
    _each({
        "wide": {"start": 2.0}, "misstated": {"misstated": True}, "tight": {"spec": 0.5},
        "wide-tight-dim": {"start": 2.0, "spec": 0.5, "power": 0.01},
    }),
)  # fmt: skip
"""What makes a strategy fail."""

CLUTTERED = ProblemSet(
    1,
    "a ghost, chips and dust in the light; frames only",
    _each({"ghost": {"ghost": True}, "dusty": {"blemishes": True}}, _frames_only),
)
"""What only a picture shows."""


def _held_out() -> dict[str, Make]:
    apart = partial(drawn, later_seeds=HELD_OUT_SEEDS)
    shorter = collimator_layout(OffAxisParaboloid(120.0, 60.0, 24.0), 0.08, 0.12, 780e-6)
    longer = focuser_layout(OffAxisParaboloid(180.0, 45.0, 30.0), 12.0, 780e-6, divergence=2e-4)
    narrow = steering_layout(4.0, 780e-6, divergence=1.5e-4)
    return {
        "collimator-60-deg": partial(apart, family="collimator", layout=shorter),
        "focuser-45-deg": partial(apart, family="focuser", layout=longer),
        "relay-adding": partial(apart, family="relay", orientation="adding"),
        "steering-narrow": partial(apart, family="steering", layout=narrow),
    }


HELD_OUT = ProblemSet(
    1,
    "other mirrors, beams and seeds; no default was chosen on them",
    _held_out(),
    held_out=True,
)
"""Kept apart: to be run for a figure that is published, not to choose a default by."""

TEXTBOOK = ProblemSet(
    1,
    "Rosenbrock's valley, an ellipsoid and Rastrigin's function, without light or noise",
    {name: partial(textbook.bench_of, name) for name in textbook.FUNCTIONS},
)
"""Functions of the literature through the same guard, session and judgement."""
