"""Exact ray trace: closed forms for paraboloid sections and flats, iteration for figure error.

In the local frame of a section (parent frame moved to the mirror's centre, see :mod:`.layout`) the
surface is F = x² + y² + 2hx − 4fz = 0. Along a ray F = A t² + 2B t + C, and light that comes from
the concave side meets the root at which F grows: t = (r − B)/A = −C/(B + r), r = √(B² − AC); the
form without cancellation is taken. Nothing on the way takes an absolute value or compares complex
numbers, so that complex steps give exact derivatives (W. Squire and G. Trapp, SIAM Rev. 40, 1998).
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping, Sequence

import numpy as np

from autoalign.core.errors import UsageError
from autoalign.optics.layout import Element, Flat, Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Array, Pose
from autoalign.optics.rays import Rays
from autoalign.optics.swift import Swift

__all__ = [
    "CHUNK",
    "Figure",
    "Surface",
    "height",
    "hits",
    "reflect",
    "to_plane",
    "trace",
    "trace_to_planes",
]

Surface = OffAxisParaboloid | Flat

Figure = Callable[[Array, Array], tuple[Array, Array, Array]]
"""Figure error: local (x, y), mm, to height along local z, mm, and its slopes in x and y.

Must take complex arrays where derivatives by complex steps (or a pupil) are wanted.
"""

CHUNK = 16384
"""Rays that are traced in one go; a chunk stays in the processor's cache."""

_ITERATIONS = 12
_CONVERGED = 1e-13


def reflect(
    rays: Rays,
    surface: Surface,
    pose: Pose,
    figure: Figure | None = None,
    clip: bool = False,
) -> Rays:
    """Return ``rays`` (bench frame) just after ``surface``, whose frame ``pose`` carries to bench.

    Parameters
    ----------
    figure
        Error of the surface, see :data:`Figure`.
    clip
        Mark rays outside the clear aperture as stopped.
    """
    return _reflect_local(rays.moved(pose.inverse()), surface, figure, clip).moved(pose)


def to_plane(rays: Rays, pose: Pose) -> tuple[Array, Array, Array]:
    """Return where ``rays`` cross the plane z = 0 of ``pose``: x, y and path, (..., n), mm."""
    return _crossings(rays, [pose])[0]


def trace(
    layout: Layout,
    poses: Mapping[str, Pose],
    rays: Rays,
    chunk: int = CHUNK,
    figures: Mapping[str, Figure] | None = None,
    clip: bool = True,
) -> Rays:
    """Trace ``rays``, given in the source's frame, through every element of ``layout``.

    Parameters
    ----------
    poses
        From :func:`.pose.place`; leading batch dimensions carry over to the result.
    chunk
        Largest number of rays traced in one go.
    figures
        Figure error by element.
    clip
        Mark rays outside an element's clear aperture as stopped (``alive`` of the result).

    Returns
    -------
    Rays
        In the bench frame, at the last element.
    """
    _check_chunk(chunk)
    if not figures and Swift.suits(layout, poses, rays):
        swift = Swift(layout, poses, clip).trace(rays, chunk)
        if swift is not None:
            return swift[0]
    parts = [_through(layout, poses, part, figures, clip) for part in rays.chunks(chunk)]
    return Rays.joined(parts)


def trace_to_planes(
    layout: Layout,
    poses: Mapping[str, Pose],
    rays: Rays,
    chunk: int = CHUNK,
    figures: Mapping[str, Figure] | None = None,
    clip: bool = True,
) -> tuple[dict[str, tuple[Array, Array, Array]], Rays]:
    """Trace as :func:`trace`; return (x, y, path) in every plane's frame, and the rays."""
    _check_chunk(chunk)
    parts, crossings = [], []
    screens = [poses[p.name] for p in layout.planes]
    if not figures and Swift.suits(layout, poses, rays, screens):
        swift = Swift(layout, poses, clip, screens).trace(rays, chunk)
        if swift is not None:
            return {p.name: c for p, c in zip(layout.planes, swift[1], strict=True)}, swift[0]
    for part in rays.chunks(chunk):
        parts.append(_through(layout, poses, part, figures, clip))
        crossings.append(_crossings(parts[-1], screens))
    whole = [
        tuple(_joined([c[k][i] for c in crossings]) for i in range(3)) for k in range(len(screens))
    ]
    found = {p.name: (x, y, path) for p, (x, y, path) in zip(layout.planes, whole, strict=True)}
    return found, Rays.joined(parts)


def _crossings(rays: Rays, screens: Sequence[Pose]) -> list[tuple[Array, Array, Array]]:
    """x, y and path in every screen's frame; screens that share a rotation share its products."""
    points, directions = rays.blocks()
    known: dict[int, tuple[Array, ...]] = {}
    found = []
    for screen in screens:
        if id(screen.rotation) not in known:
            back = np.swapaxes(screen.rotation, -1, -2)
            local, way = back @ points, back @ directions
            inverse = 1 / way[..., 2, :]
            slopes = way[..., 0, :] * inverse, way[..., 1, :] * inverse
            known[id(screen.rotation)] = (back, local, inverse, *slopes)
        back, local, inverse, slope_x, slope_y = known[id(screen.rotation)]
        at = (back @ screen.position[..., None])[..., 0]
        depth = local[..., 2, :] - at[..., 2, None]
        found.append(
            (
                local[..., 0, :] - at[..., 0, None] - depth * slope_x,
                local[..., 1, :] - at[..., 1, None] - depth * slope_y,
                rays.path - depth * inverse,
            )
        )
    return found


def _joined(parts: list[Array]) -> Array:
    return parts[0] if len(parts) == 1 else np.concatenate(parts, axis=-1)


def _check_chunk(chunk: int) -> None:
    if chunk < 1:
        raise UsageError(f"trace: chunk {chunk!r} must be at least 1 ray.")


def hits(
    layout: Layout,
    poses: Mapping[str, Pose],
    rays: Rays,
    figures: Mapping[str, Figure] | None = None,
    clip: bool = False,
) -> Iterator[tuple[Element, Rays]]:
    """Yield every element with the rays just after it, in its own frame; ``rays`` as in `trace`."""
    errors = figures or {}
    at = poses["source"]
    for element in layout.elements:
        here = poses[element.name]
        local = rays.moved(here.inverse().compose(at))
        rays = _reflect_local(local, element.surface, errors.get(element.name), clip)
        at = here
        yield element, rays


def _through(
    layout: Layout,
    poses: Mapping[str, Pose],
    rays: Rays,
    figures: Mapping[str, Figure] | None,
    clip: bool,
) -> Rays:
    at = "source"
    for element, local in hits(layout, poses, rays, figures, clip):
        at, rays = element.name, local
    return rays.moved(poses[at])


def _reflect_local(rays: Rays, surface: Surface, figure: Figure | None, clip: bool) -> Rays:
    if isinstance(surface, Flat):
        t, meeting = -rays.z / rays.n, None
    else:
        t, meeting = _meet_paraboloid(rays, surface.parent_focal_length, surface.off_axis_distance)
    if figure is not None:
        t = _meet_figure(rays, surface, figure, t)
    points, directions = rays.blocks()
    run = t[..., None, :] * directions
    points = np.add(points, run, out=run)
    x, y = points[..., 0, :], points[..., 1, :]
    if figure is not None:
        gx, gy = _slopes(surface, x, y)
        _, ex, ey = figure(x, y)
        directions = _mirrored(rays, gx + ex, gy + ey)
    elif meeting is None or isinstance(surface, Flat):
        directions = _turned_back(directions)
    else:
        directions = _from_paraboloid(surface, points, directions, meeting)
    alive = rays.alive
    if clip:
        inside = x.real**2 + y.real**2 <= (surface.clear_aperture / 2) ** 2
        alive = inside if alive is None else alive & inside
    return Rays.from_blocks(points, directions, rays.path + t, rays.weight, alive)


def _turned_back(directions: Array) -> Array:
    """Directions after a flat."""
    out = directions.copy()
    np.negative(out[..., 2, :], out=out[..., 2, :])
    return out


def _from_paraboloid(
    optic: OffAxisParaboloid, points: Array, directions: Array, meeting: Array
) -> Array:
    """Directions after the perfect section, met at ``points``; ``meeting`` is half of dF/dt there.

    With the normal ∇F = 2(x + h, y, −2f) and |∇F|² = 16 f (f + sag + z) on the surface, the ray
    loses meeting/(f + sag + z) times ∇F/(4f) from its direction.
    """
    f = optic.parent_focal_length
    k = meeting / (points[..., 2, :] + (f + optic.sag))
    part = k / (2 * f)
    out = np.empty(points.shape, points.dtype)
    x, y = points[..., 0, :] + optic.off_axis_distance, points[..., 1, :]
    np.subtract(directions[..., 0, :], part * x, out=out[..., 0, :])
    np.subtract(directions[..., 1, :], part * y, out=out[..., 1, :])
    np.add(directions[..., 2, :], k, out=out[..., 2, :])
    return out


def _mirrored(rays: Rays, gx: Array, gy: Array) -> Array:
    """Directions (..., 3, n) after reflection from a surface of slopes ``gx``, ``gy``."""
    k = 2 * (rays.l * gx + rays.m * gy - rays.n) / (gx * gx + gy * gy + 1)
    out = np.empty((*k.shape[:-1], 3, k.shape[-1]), k.dtype)
    np.subtract(rays.l, k * gx, out=out[..., 0, :])
    np.subtract(rays.m, k * gy, out=out[..., 1, :])
    np.add(rays.n, k, out=out[..., 2, :])
    return out


def height(surface: Surface, x: Array, y: Array) -> tuple[Array, Array, Array]:
    """Return the surface's height at (x, y), its own frame, mm, and its slopes in x and y."""
    gx, gy = _slopes(surface, x, y)
    if isinstance(surface, Flat):
        return np.zeros_like(x), gx, gy
    f, h = surface.parent_focal_length, surface.off_axis_distance
    return (x * (x + 2 * h) + y * y) / (4 * f), gx, gy


def _slopes(surface: Surface, x: Array, y: Array) -> tuple[Array, Array]:
    if isinstance(surface, Flat):
        return np.zeros_like(x), np.zeros_like(x)
    scale = 1 / (2 * surface.parent_focal_length)
    return (x + surface.off_axis_distance) * scale, y * scale


def _meet_paraboloid(rays: Rays, f: float, h: float) -> tuple[Array, Array]:
    """Way to the surface, and half of dF/dt there, which is r."""
    a = rays.l * rays.l + rays.m * rays.m
    x = rays.x + h
    b = x * rays.l + rays.y * rays.m - 2 * f * rays.n
    c = rays.x * (x + h) + rays.y * rays.y - 4 * f * rays.z
    square = b * b - a * c
    if np.min(b.real, initial=1.0) > 0 and np.min(square.real, initial=1.0) > 0:  # almost always
        r = np.sqrt(square)
        return np.asarray(-c / (b + r)), r
    with np.errstate(invalid="ignore", divide="ignore"):
        r = np.sqrt(np.where(square.real >= 0, square, np.nan))
        away = np.where(a.real > 0, a, np.nan)  # along the axis, away from the mirror
        t: Array = np.where(b.real >= 0, -c / (b + r), (r - b) / away)
    return t, r


def _meet_figure(rays: Rays, surface: Surface, figure: Figure, t: Array) -> Array:
    """Newton's iteration on z − height(x, y) along the ray, to convergence."""
    for _ in range(_ITERATIONS):
        x, y, z = rays.x + t * rays.l, rays.y + t * rays.m, rays.z + t * rays.n
        perfect, gx, gy = height(surface, x, y)
        error, ex, ey = figure(x, y)
        step = (perfect + error - z) / (rays.n - rays.l * (gx + ex) - rays.m * (gy + ey))
        t = t + step
        if float(np.nanmax(np.abs(step), initial=0.0)) < _CONVERGED * (
            1 + float(np.nanmax(np.abs(t), initial=0.0))
        ):
            break
    return t
