"""How much light goes where: emission, and ray grids that keep moments exact with few rays.

Where light overfills the first mirror, the rays are set on the mirror's clear aperture (Gauss
points across, equal angles around), so that the edge is exact however the beam wanders over it; of
hard-edged light, on the part of the aperture that it reaches with everything in its place.
Where it does not, they are set in the source's own far field, and apertures cut softly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.optics.ideal import overfills
from autoalign.optics.layout import Beam, Layout, Source
from autoalign.optics.pose import place
from autoalign.optics.sources import lit

__all__ = ["PupilGrid", "bent_log", "factors", "log_slopes", "make_grid", "own_size"]

Floats = npt.NDArray[np.float64]

RINGS, SPOKES = 6, 12
HARD = (4, 18)
"""Rings and spokes on even light: it needs fewer across, and its outline may have corners."""
REACH = 1.9
"""Half-width of the source grid in units of its size; e^(−2·1.9²) and e^(−3·1.9²) are left out."""


@dataclass(frozen=True, slots=True, eq=False)
class PupilGrid:
    """Nodes (n,) in a disk, mm or in units of the beam's own size, and their ``weight`` (n,)."""

    u: Floats
    v: Floats
    weight: Floats
    on_aperture: bool


def disk(radius: float, rings: int = RINGS, spokes: int = SPOKES) -> tuple[Floats, Floats, Floats]:
    """Return nodes and weights that integrate polynomials over a disk exactly (to order ~13)."""
    nodes, weights = np.polynomial.legendre.leggauss(rings)
    square = (nodes + 1) / 2  # r²/R² is uniform
    turn = 2 * np.pi * (np.arange(spokes) + 0.5 * (np.arange(rings) % 2)[:, None]) / spokes
    r = radius * np.sqrt(square)[:, None]
    weight = np.repeat(weights / 2 * math.pi * radius**2 / spokes, spokes)
    return (r * np.cos(turn)).ravel(), (r * np.sin(turn)).ravel(), weight


def make_grid(layout: Layout) -> PupilGrid:
    """Choose the rays for ``layout``."""
    first = layout.elements[0].surface
    hard = getattr(layout.light, "emission", getattr(layout.light, "profile", "")) == "uniform"
    if overfills(layout) and hard:
        poses, mirror = place(layout), layout.elements[0]
        to_source = poses["source"].inverse().compose(poses[mirror.name])
        return PupilGrid(*lit(layout.light, mirror, to_source, *HARD), on_aperture=True)
    if overfills(layout):
        return PupilGrid(*disk(first.clear_aperture / 2), on_aperture=True)
    return PupilGrid(*disk(1.0 if hard else REACH), on_aperture=False)


def own_size(light: Source | Beam) -> float:
    """Return the size that (u, v) are in units of: NA of a source, half the diameter of a beam."""
    return light.na if isinstance(light, Source) else light.diameter / 2


def _rate(light: Source | Beam) -> float:
    """How fast the log of the brightness falls with (distance/size)², without a hard edge."""
    kind = light.emission if isinstance(light, Source) else light.profile
    return {"multimode": math.log(20.0), "gaussian": 2.0, "uniform": 0.0}[kind]


def factors(u: Floats, v: Floats) -> tuple[Floats, ...]:
    """Return what the 14 terms multiply in the log of the emission at (u, v).

    (u, v) is in units of the light's size. With s = u² + v², c = u² − v² and d = 2uv: u, v; s, c,
    d; us, vs, u³ − 3uv², 3u²v − v³; s², sc, sd, c² − d², 2cd.
    """
    s, c, d = u * u + v * v, u * u - v * v, 2 * u * v
    cubes = (u * s, v * s, u * c - v * d, u * d + v * c)
    return (u, v, s, c, d, *cubes, s * s, s * c, s * d, c * c - d * d, 2 * c * d)


def bent_log(light: Source | Beam, u: Floats, v: Floats, terms: Floats) -> Floats:
    """Return the log of the emission at (u, v), bent by ``terms`` (14,) times :func:`factors`."""
    total = -_rate(light) * (u * u + v * v)
    for term, factor in zip(terms, factors(u, v), strict=True):
        total = total + term * factor
    return total


def log_slopes(light: Source | Beam, u: Floats, v: Floats, terms: Floats) -> tuple[Floats, Floats]:
    """Return the derivatives of :func:`bent_log` by u and v."""
    t = terms
    s, c, d = u * u + v * v, u * u - v * v, 2 * u * v
    by_s = t[2] - _rate(light) + t[5] * u + t[6] * v + 2 * t[9] * s + t[10] * c + t[11] * d
    by_c = t[3] + t[7] * u + t[8] * v + t[10] * s + 2 * t[12] * c + 2 * t[13] * d
    by_d = t[4] - t[7] * v + t[8] * u + t[11] * s - 2 * t[12] * d + 2 * t[13] * c
    by_u = t[0] + t[5] * s + t[7] * c + t[8] * d + 2 * u * (by_s + by_c) + 2 * v * by_d
    by_v = t[1] + t[6] * s - t[7] * d + t[8] * c + 2 * v * (by_s - by_c) + 2 * u * by_d
    return by_u, by_v
