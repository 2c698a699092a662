"""Back from where the spec cannot be judged: follow the light that is left, or search for it."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import Use
from autoalign.strategies.base import Measurement, Problem
from autoalign.strategies.descent import Descent, ScanMeasurement

__all__ = ["centroids", "find_light", "recover", "walk_back"]

Floats = npt.NDArray[np.float64]

_MOST = 256
"""Number of positions at which light is searched for, if nothing else bounds it."""
_NEAR_ENOUGH = 0.5
"""A centroid this close to a plane's zero, mm, needs no more walking."""


def recover(problem: Problem, seen: Measurement) -> ScanMeasurement:
    """Yield positions until the spec can be judged or there is nothing left to try.

    The plane that shows most is followed first, then the others are added.
    """
    for _ in range(3):
        if not seen.ok and not visible(seen):
            seen = yield from find_light(problem, seen)
        count = 1
        while not seen.ok and count <= len(visible(seen)):
            seen = yield from walk_back(problem, seen, visible(seen)[:count])
            count += 1
        if seen.ok:
            break
    return seen


def visible(seen: Measurement) -> tuple[str, ...]:
    """Return the planes at which there is something to follow, the most trustworthy first."""
    order = list(Use)

    def doubt(plane: str) -> tuple[int, float]:
        profile = seen.profiles[plane]
        return order.index(profile.use), -profile.power / max(profile.power_uncertainty, 1e-300)

    return tuple(
        sorted((p for p, v in seen.profiles.items() if v.use is not Use.NOTHING), key=doubt)
    )


def centroids(seen: Measurement, planes: tuple[str, ...]) -> Floats | None:
    """Return the centroids (2k,) at ``planes`` in plane axes, mm; None where one is missing."""
    if not set(planes) <= set(visible(seen)):
        return None
    places = [seen.profiles[p].in_plane_axes().centroid for p in planes]
    return np.array(places, dtype=np.float64).ravel()


def walk_back(problem: Problem, seen: Measurement, planes: tuple[str, ...]) -> ScanMeasurement:
    """Bring the centroids at ``planes`` towards the planes' zeros.

    Returns as soon as the spec can be judged, more planes show a whole beam, or they are there.
    """

    def whole(now: Measurement) -> int:
        return sum(v.use is Use.ALL for v in now.profiles.values())

    start = whole(seen)

    def done(now: Measurement) -> bool:
        places = centroids(now, planes)
        there = places is not None and float(np.max(np.abs(places))) < _NEAR_ENOUGH
        return now.ok or whole(now) > start or there

    descent = Descent(problem, seen, lambda s: centroids(s, planes), lambda _: 0.05, done)
    return (yield from descent.run())


def find_light(problem: Problem, seen: Measurement) -> ScanMeasurement:
    """Try random places in boxes around the start that grow to the whole reach.

    Two of five are within a tenth of the reach. They take two thirds of the problem's measurements,
    so that some are left to align with.
    """
    measurements = (
        _MOST if problem.measurements is None else min(2 * problem.measurements // 3, _MOST)
    )
    for k in range(measurements):
        share = 0.02 * 50.0 ** (k / max(measurements - 1, 1))
        low = problem.start + share * (problem.lower - problem.start)
        high = problem.start + share * (problem.upper - problem.start)
        seen = yield problem.clip(low + problem.rng.random(len(low)) * (high - low))
        if seen.ok or visible(seen):
            break
    return seen
