"""How much light goes where: emission, and ray grids that keep moments exact with few rays.

Where light overfills the first mirror, the rays are set on the mirror's clear aperture (Gauss
points across, equal angles around), so that the edge is exact however the beam wanders over it.
Where it does not, they are set in the source's own far field, and apertures cut softly.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.optics.layout import Beam, Flat, Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Array, Pose, place
from autoalign.optics.rays import Rays

__all__ = ["Grid", "Shape", "bounce", "launch", "make_grid", "shape_of"]

Floats = npt.NDArray[np.float64]
Shape = tuple[Array, Array] | None

RINGS, SPOKES = 6, 12
EDGE = 0.02
"""Light overfills a mirror whose rim still gets this part of the middle's brightness."""
REACH = 1.9
"""Half-width of the source grid in units of its size; e^(−2·1.9²) and e^(−3·1.9²) are left out."""


@dataclass(frozen=True, slots=True, eq=False)
class Grid:
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


def make_grid(layout: Layout) -> Grid:
    """Choose the rays for ``layout``."""
    first = layout.elements[0].surface
    if _rim_brightness(layout) > EDGE:
        return Grid(*disk(first.clear_aperture / 2), on_aperture=True)
    hard = getattr(layout.light, "emission", getattr(layout.light, "profile", "")) == "uniform"
    return Grid(*disk(1.0 if hard else REACH), on_aperture=False)


def _rim_brightness(layout: Layout) -> float:
    element = layout.elements[0]
    poses = place(layout)
    radius, size = element.surface.clear_aperture / 2, _size(layout.light)
    points = poses[element.name].apply(
        [[radius, 0, 0], [-radius, 0, 0], [0, radius, 0], [0, -radius, 0]]
    )
    local = poses["source"].inverse().apply(points)
    across = local[:, :2]
    if isinstance(layout.light, Source):
        across = across / np.linalg.norm(local, axis=1)[:, None]
    square = (across**2).sum(axis=1).min() / size**2
    return float(np.exp(_log_profile(layout.light, square)))


def _size(light: Source | Beam) -> float:
    return light.na if isinstance(light, Source) else light.diameter / 2


def _log_profile(light: Source | Beam, square: Array) -> Array:
    """Log of the brightness at (distance/size)² = ``square``, without a hard edge."""
    kind = light.emission if isinstance(light, Source) else light.profile
    rate = {"multimode": math.log(20.0), "gaussian": 2.0, "uniform": 0.0}[kind]
    return -rate * square


def brightness(light: Source | Beam, u: Array, v: Array, terms: Array) -> Array:
    """Return the emission at (u, v) in units of the light's size; ``terms`` (..., 14) bend its log.

    With s = u² + v², c = u² − v² and d = 2uv the terms multiply u, v; s, c, d; us, vs, u³ − 3uv²,
    3u²v − v³; s², sc, sd, c² − d², 2cd.
    """
    s, c, d = u * u + v * v, u * u - v * v, 2 * u * v
    total = _log_profile(light, s)
    cubes = (u * s, v * s, u * c - v * d, u * d + v * c)
    factors = (u, v, s, c, d, *cubes, s * s, s * c, s * d, c * c - d * d, 2 * c * d)
    for k, factor in enumerate(factors):
        total = total + terms[..., k, None] * factor
    return np.asarray(np.exp(_bounded(total)))


def launch(
    light: Source | Beam, grid: Grid, source: Pose, element: Pose, shape: Shape,
    terms: Array,
) -> Rays:  # fmt: skip
    """Return weighted rays that are about to meet the first element, in its own frame."""
    inward = element.inverse().compose(source)
    if not grid.on_aperture:
        return _from_source(light, grid, terms).moved(inward)
    x, y = grid.u, grid.v
    height, gx, gy = _surface(shape, x, y)
    origin = (inward.position[..., i, None] for i in range(3))
    px, py, pz = (a - b for a, b in zip((x, y, height), origin, strict=True))
    axes = inward.rotation
    a, b = (
        axes[..., 0, i, None] * px + axes[..., 1, i, None] * py + axes[..., 2, i, None] * pz
        for i in range(2)
    )
    if isinstance(light, Source):
        r = np.sqrt(px * px + py * py + pz * pz)
        l, m, n = px / r, py / r, pz / r  # noqa: E741
        bright = brightness(light, a / (r * light.na), b / (r * light.na), terms) / (r * r)
    else:
        l, m, n = (axes[..., i, 2, None] + 0 * a for i in range(3))  # noqa: E741
        half = light.diameter / 2
        bright = brightness(light, a / half, b / half, terms)
    facing = n - gx * l - gy * m
    zero = np.zeros_like(l)
    return Rays(x + zero, y + zero, height + zero, l, m, n, zero, grid.weight * bright * facing)


def _from_source(light: Source | Beam, grid: Grid, terms: Array) -> Rays:
    u, v = grid.u, grid.v
    weight = grid.weight * brightness(light, u, v, terms)
    zero = np.zeros_like(weight)
    size = _size(light)
    if isinstance(light, Source):
        l, m = u * size, v * size  # noqa: E741
        n = np.sqrt(1 - l * l - m * m)
        return Rays(zero, zero, zero, l + zero, m + zero, n + zero, zero, weight / n)
    return Rays(u * size + zero, v * size + zero, zero, zero, zero, zero + 1, zero, weight)


def _surface(shape: Shape, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Height and slopes of the surface with 1/(4f) and h/(2f) = ``shape``, mirror's frame."""
    if shape is None:
        flat = np.zeros_like(x)
        return flat, flat, flat
    curve, slope = shape
    return curve * (x * x + y * y) + slope * x, 2 * curve * x + slope, 2 * curve * y


def bounce(rays: Rays, shape: Shape, aperture: float, meet: bool, soft: float) -> Rays:
    """Reflect ``rays`` (mirror's frame) from the surface ``shape``; ``meet`` it first if needed.

    Light outside ``aperture`` (diameter, mm) fades over the length ``soft``.
    """
    x, y, z, l, m, n = rays.x, rays.y, rays.z, rays.l, rays.m, rays.n  # noqa: E741
    weight = rays.power
    if meet:
        t = _meeting(rays, shape)
        x, y, z = x + t * l, y + t * m, z + t * n
        outside = (x * x + y * y - aperture**2 / 4) / (aperture / 2 * soft)
        weight = weight / (1 + np.exp(_bounded(outside)))
    _, gx, gy = _surface(shape, x, y)
    k = 2 * (l * gx + m * gy - n) / (gx * gx + gy * gy + 1)
    return Rays(x, y, z, l - k * gx, m - k * gy, n + k, rays.path, weight)


def _meeting(rays: Rays, shape: Shape) -> Array:
    """Length along each ray to the surface."""
    if shape is None:
        return -rays.z / rays.n
    curve, slope = shape
    a = curve * (rays.l * rays.l + rays.m * rays.m)
    b = curve * (rays.x * rays.l + rays.y * rays.m) + (slope * rays.l - rays.n) / 2
    c = curve * (rays.x * rays.x + rays.y * rays.y) + slope * rays.x - rays.z
    # Light comes from the concave side: the root at which F grows along the ray.
    length: Array = -c / (b + np.sqrt(b * b - a * c))
    return length


def _bounded(exponent: Array) -> Array:
    """Keep an exponent within what exp can take, without breaking complex steps."""
    return np.where(exponent.real > 60, 60.0, exponent)


def shape_of(surface: OffAxisParaboloid | Flat, rho: Array, alpha: Array) -> Shape:
    """Return 1/(4f) and h/(2f) of ``surface`` with ρ and α changed, (..., 1); None for a flat."""
    if isinstance(surface, Flat):
        return None
    angle = surface.off_axis_angle + alpha
    f = (surface.reflected_focal_length + rho) * (1 + np.cos(angle)) / 2
    return (1 / (4 * f))[..., None], np.tan(angle / 2)[..., None]
