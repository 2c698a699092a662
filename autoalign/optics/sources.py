"""Rays that leave a source or a beam, on smooth grids with weights instead of random draws.

All rays are in the source's own frame: origin in the middle of its face, z along the chief ray
(:func:`.pose.frame_along`). Weights sum to the power that the covered part of the far field holds,
with 1 for the whole.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from functools import lru_cache
from typing import Literal

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError
from autoalign.optics.layout import Beam, Element, Source
from autoalign.optics.pose import Array, Pose
from autoalign.optics.rays import Rays
from autoalign.optics.trace import Surface, height, reflect

__all__ = [
    "BEAM_EDGE",
    "aimed",
    "bundle",
    "cone",
    "disk_grid",
    "emission",
    "face_points",
    "half_angle",
    "lit",
]

Floats = npt.NDArray[np.float64]
Spacing = Literal["gauss", "even"]

_TAIL = 1e-6
"""A smooth far field is followed down to this part of its centre."""

BEAM_EDGE = math.sqrt(-math.log(_TAIL) / 2)
"""Where a Gaussian beam is cut, in units of its 1/e² radius: at a millionth of its centre."""


def disk_grid(rings: int, spokes: int, spacing: Spacing = "gauss") -> tuple[Floats, Floats, Floats]:
    """Return x, y (n,) and weights (n,) that integrate over the unit disk; weights sum to 1.

    "gauss": Gauss–Legendre nodes in r², equally spaced azimuths: exact for polynomials of degree
    below min(4·rings, spokes). "even": midpoints of equal areas with turned rings, equal weights:
    for pictures. The arrays are shared between callers and read-only.
    """
    if rings < 1 or spokes < 1:
        raise UsageError(f"disk grid: {rings} rings × {spokes} spokes; at least 1 of each.")
    if spacing == "gauss":
        nodes, w = np.polynomial.legendre.leggauss(rings)
        square, w = (nodes + 1) / 2, w / 2
        turn = np.zeros(rings)
    else:
        square, w = (np.arange(rings) + 0.5) / rings, np.full(rings, 1 / rings)
        turn = (np.arange(rings) * (math.sqrt(5) - 1) / 2) % 1
    angle = 2 * np.pi * (np.arange(spokes) + 0.25 + turn[:, None]) / spokes
    radius = np.sqrt(square)[:, None]
    weight = np.repeat(w / spokes, spokes)
    grid = ((radius * np.cos(angle)).ravel(), (radius * np.sin(angle)).ravel(), weight)
    for column in grid:
        column.flags.writeable = False
    return grid


def emission(source: Source, sine_squared: Array) -> Array:
    """Return the radiant intensity at sin²θ from the chief ray, 1 in its centre.

    Smooth profiles only: the edge of a "uniform" one is made by the grid.
    """
    s = sine_squared / source.na**2
    if source.emission == "multimode":
        return np.asarray(np.exp(-math.log(20) * s))
    if source.emission == "gaussian":
        return np.asarray(np.exp(-2 * s))
    return np.ones_like(s)


def half_angle(source: Source) -> float:
    """Return the half-angle, rad, of the cone that holds all of the far field that is followed."""
    if source.emission == "uniform":
        sine = source.na
    else:
        fall = math.log(20) if source.emission == "multimode" else 2.0
        sine = source.na * math.sqrt(-math.log(_TAIL) / fall)
    return math.asin(min(sine, 0.999))


def face_points(source: Source, rings: int = 2, spokes: int = 6) -> tuple[Floats, Floats, Floats]:
    """Return x, y (n,), mm, and weights (n,) that stand for a uniform face; one for a point."""
    if source.core_diameter == 0:
        return np.zeros(1), np.zeros(1), np.ones(1)
    x, y, w = disk_grid(rings, spokes)
    return x * source.core_diameter / 2, y * source.core_diameter / 2, w


def cone(
    source: Source,
    rings: int = 24,
    spokes: int = 48,
    spacing: Spacing = "gauss",
    point: tuple[float, float] = (0.0, 0.0),
    angle: float | None = None,
) -> Rays:
    """Return rays from one ``point`` (x, y) of the face, mm, that fill the far field.

    ``angle`` is the half-angle of the cone, rad; None follows the far field to its edge, or a
    smooth one down to a millionth. The grid is uniform in sin²θ; weights carry dΩ = d(sin²θ) dφ /
    (2 cos θ) and the emission profile.
    """
    sine = math.sin(half_angle(source) if angle is None else angle)
    u, v, w = disk_grid(rings, spokes, spacing)
    l, m = u * sine, v * sine  # noqa: E741
    square = l * l + m * m
    n = np.sqrt(1 - square)
    power = w * emission(source, square) * (math.pi * sine**2) / n / _total(source)
    start = np.zeros_like(n)
    return Rays(start + point[0], start + point[1], start, l, m, n, start.copy(), power)


def aimed(
    light: Source | Beam,
    element: Element,
    poses: Mapping[str, Pose],
    rings: int = 16,
    spokes: int = 32,
    spacing: Spacing = "gauss",
    point: tuple[float, float] = (0.0, 0.0),
) -> Rays:
    """Return rays from one ``point`` of the face to a grid over the aperture of ``element``.

    The grid is fixed to the mirror, so that a beam which overfills it keeps an exact, smooth edge
    under every motion: weights are the power through each patch, I(θ) dΩ with
    dΩ = |d·(h_x, h_y, −1)| dx dy / R² for the surface z = h(x, y). The grid over hard-edged light
    is that of :func:`lit`, which follows the edge of the light too. ``element`` must be the first
    one that the light meets. For a collimated beam ``point`` is a tilt (x, y), rad. Batched
    ``poses`` give batched rays.
    """
    surface = element.surface
    to_source = poses["source"].inverse().compose(poses[element.name])
    if _hard(light):
        x, y, area = lit(light, element, to_source, rings, spokes, point)
    else:
        u, v, w = disk_grid(rings, spokes, spacing)
        radius = surface.clear_aperture / 2
        x, y, area = u * radius, v * radius, w * (math.pi * radius**2)
    z, gx, gy = height(surface, x, y)
    patch = Rays(x, y, z, -gx, -gy, np.ones_like(x), np.zeros_like(x)).moved(to_source)
    if isinstance(light, Beam):
        return _aimed_beam(light, patch, area, point)
    dx, dy, dz = patch.x - point[0], patch.y - point[1], patch.z
    square = dx * dx + dy * dy + dz * dz
    far = np.sqrt(square)
    l, m, n = dx / far, dy / far, dz / far  # noqa: E741
    # The normal points to the side that the light comes from.
    facing = -(l * patch.l + m * patch.m + n * patch.n)
    power = emission(light, l * l + m * m) * facing * area / square / _total(light)
    start = np.zeros_like(l)
    return Rays(start + point[0], start + point[1], start, l, m, n, start.copy(), power)


def _hard(light: Source | Beam) -> bool:
    return (light.emission if isinstance(light, Source) else light.profile) == "uniform"


_NEWTON = 6
"""Steps to the edge of the light; each doubles the digits, those of derivatives included."""


def lit(
    light: Source | Beam,
    element: Element,
    to_source: Pose,
    rings: int,
    spokes: int,
    point: tuple[float, float] = (0.0, 0.0),
) -> tuple[Array, Array, Array]:
    """Return a grid x, y, mm, and areas, mm², over the part of an aperture that hard light reaches.

    That part is star-shaped about where the middle of the light meets the aperture: along each
    spoke it ends at the aperture's rim or at the edge of the light, whichever comes first. Batched
    (..., rings · spokes) as ``to_source``, the element's pose in the source's frame, is; complex
    steps in that pose go through.
    """
    surface, radius = element.surface, element.surface.clear_aperture / 2
    angle = 2 * np.pi * (np.arange(spokes) + 0.25) / spokes
    cos, sin = np.cos(angle), np.sin(angle)

    def edge(r: Array) -> Array:
        """How far from the light's middle, 1 on its edge."""
        x, y = u + r * cos, v + r * sin
        local = np.stack(np.broadcast_arrays(x, y, height(surface, x, y)[0]), axis=-2)
        at = to_source.rotation @ local + to_source.position[..., :, None]
        if isinstance(light, Source):
            dx, dy, dz = at[..., 0, :] - point[0], at[..., 1, :] - point[1], at[..., 2, :]
            square = (dx * dx + dy * dy) / (dx * dx + dy * dy + dz * dz)
        else:
            dx, dy = (at[..., k, :] - math.tan(point[k]) * at[..., 2, :] for k in (0, 1))
            square = dx * dx + dy * dy
        return np.asarray(np.sqrt(square) / size)

    size = light.na if isinstance(light, Source) else light.diameter / 2
    u, v = _middle(light, surface, to_source, point)
    along = u * cos + v * sin
    rim = -along + np.sqrt(along * along + radius * radius - u * u - v * v)
    r, step = rim + 0.0, 1e-5 * radius
    cut = edge(rim).real > 1
    if np.any(cut):
        for _ in range(_NEWTON):
            slope = (edge(r + step) - edge(r - step)).real / (2 * step)
            r = r - (edge(r) - 1) / slope
            r = np.where((r.real > 0) & (r.real < 2 * radius), r, 0.5 * rim)
        rim = np.where(cut, r, rim)
        rim = np.where(edge(0 * rim).real > 1, 0.0, rim)  # the light passes the aperture
    nodes, weights = np.polynomial.legendre.leggauss(rings)
    out = np.sqrt((nodes + 1) / 2)[:, None] * rim[..., None, :]
    area = weights[:, None] / 2 * (math.pi / spokes) * (rim * rim)[..., None, :]
    x, y = u[..., None] + out * cos, v[..., None] + out * sin
    flat = (*out.shape[:-2], rings * spokes)
    return x.reshape(flat), y.reshape(flat), np.broadcast_to(area, out.shape).reshape(flat)


def _middle(
    light: Source | Beam, surface: Surface, to_source: Pose, point: tuple[float, float]
) -> tuple[Floats, Floats]:
    """Return where the middle of the light meets the aperture, (..., 1) each, mm; inside of it.

    Derivatives are left out: an integral does not depend on where its grid has its middle.
    """
    pose = Pose(
        *(np.real(part).astype(np.float64) for part in (to_source.rotation, to_source.position))
    )
    zero, one = np.zeros(1), np.ones(1)
    if isinstance(light, Source):
        chief = Rays(zero + point[0], zero + point[1], zero, zero, zero, one, zero)
    else:
        l, m = math.sin(point[0]), math.sin(point[1])  # noqa: E741
        chief = Rays(zero, zero, zero, zero + l, zero + m, np.sqrt(one - l * l - m * m), zero)
    met = reflect(chief, surface, pose).moved(pose.inverse())
    away = np.hypot(met.x, met.y)
    inner = np.minimum(1.0, 0.98 * surface.clear_aperture / 2 / np.maximum(away, 1e-300))
    return tuple(np.where(np.isfinite(away), c * inner, 0.0) for c in (met.x, met.y))  # type: ignore[return-value]


def _aimed_beam(beam: Beam, patch: Rays, area: Array, tilt: tuple[float, float]) -> Rays:
    """Parallel rays to the points of ``patch``, whose directions are the surface's normals."""
    l, m = math.sin(tilt[0]), math.sin(tilt[1])  # noqa: E741
    n = math.sqrt(1 - l * l - m * m)
    t = patch.z / n
    x, y = patch.x - t * l, patch.y - t * m
    facing = -(l * patch.l + m * patch.m + n * patch.n) / n
    # A flat's normal may point either way.
    facing = np.where(facing.real < 0, -facing, facing)
    size = (beam.diameter / 2) ** 2
    square = (x * x + y * y) / size
    bright = 2 * np.exp(-2 * square) if beam.profile == "gaussian" else np.ones_like(square)
    zero = np.zeros_like(x)
    power = bright * facing * area / (math.pi * size)
    return Rays(x, y, zero, zero + l, zero + m, zero + n, zero.copy(), power)


def bundle(
    beam: Beam,
    rings: int = 24,
    spokes: int = 48,
    spacing: Spacing = "gauss",
    tilt: tuple[float, float] = (0.0, 0.0),
    radius: float | None = None,
) -> Rays:
    """Return parallel rays that fill a collimated ``beam``.

    ``tilt`` (x, y), rad, picks one direction inside the beam's divergence; ``radius``, mm, cuts a
    Gaussian elsewhere than at a millionth of its centre.
    """
    uniform = beam.profile == "uniform"
    edge = beam.diameter / 2 * (1.0 if uniform else BEAM_EDGE)
    edge = edge if radius is None else radius
    u, v, w = disk_grid(rings, spokes, spacing)
    x, y = u * edge, v * edge
    square = (x * x + y * y) / (beam.diameter / 2) ** 2
    power = w * edge**2 / (beam.diameter / 2) ** 2
    power = power if uniform else 2 * power * np.exp(-2 * square)
    l = np.full_like(x, math.sin(tilt[0]))  # noqa: E741
    m = np.full_like(x, math.sin(tilt[1]))
    start = np.zeros_like(x)
    return Rays(x, y, start, l, m, np.sqrt(1 - l * l - m * m), start.copy(), power)


@lru_cache(maxsize=64)
def _total(source: Source) -> float:
    """Power of the whole far field of unit central intensity: ∫ I(θ) π d(sin²θ)/cos θ, sr."""
    edge = math.sin(half_angle(source)) ** 2
    nodes, w = np.polynomial.legendre.leggauss(64)
    square = (nodes + 1) / 2 * edge
    integrand = emission(source, square) / np.sqrt(1 - square)
    return float(math.pi * edge / 2 * np.sum(w * integrand))
