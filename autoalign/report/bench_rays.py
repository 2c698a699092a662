"""Fans of rays through a nominal bench, as lines to draw."""

from __future__ import annotations

from collections.abc import Iterable, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.optics.ideal import footprints
from autoalign.optics.layout import Beam, Flat, Layout
from autoalign.optics.pose import Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.trace import Surface, reflect, to_plane

__all__ = [
    "Box",
    "Fan",
    "Projection",
    "box_around",
    "chief_points",
    "on_surface",
    "rim_points",
    "side_view",
    "top_view",
    "trace_fan",
]

Floats = npt.NDArray[np.float64]

# Views of a bench: which bench directions run to the right, up and towards the viewer.

X, Y, Z = np.eye(3)


@dataclass(frozen=True, slots=True, eq=False)
class Projection:
    """``right`` × ``up`` points to the viewer; ``across`` is the fan that spreads in this view."""

    name: str
    right: Floats
    up: Floats
    labels: tuple[str, str]
    across: int

    @property
    def toward(self) -> Floats:
        """Unit vector to the viewer."""
        return np.cross(self.right, self.up)

    def __call__(self, points: npt.ArrayLike) -> Floats:
        """Return (..., 2) page coordinates, mm, of bench ``points`` (..., 3)."""
        given = np.asarray(points, dtype=np.float64)
        return np.stack([given @ self.right, given @ self.up], axis=-1)


def top_view(along_x: bool = False) -> Projection:
    """Return the view from above; the bench's z (or, ``along_x``, its x) runs to the right."""
    if along_x:
        return Projection("from above", X, -Z, ("x, mm", "−z, mm"), 0)
    return Projection("from above", Z, X, ("z, mm", "x, mm"), 0)


def side_view(along_x: bool = False) -> Projection:
    """Return the view from the side, y up."""
    if along_x:
        return Projection("from the side", X, Y, ("x, mm", "y, mm"), 1)
    return Projection("from the side", Z, Y, ("z, mm", "y, mm"), 1)


@dataclass(frozen=True, slots=True)
class Box:
    """A box on the page, mm."""

    left: float
    right: float
    bottom: float
    top: float

    @property
    def width(self) -> float:
        """Right minus left, mm."""
        return self.right - self.left

    @property
    def height(self) -> float:
        """Top minus bottom, mm."""
        return self.top - self.bottom

    @property
    def size(self) -> float:
        """The larger of width and height, mm."""
        return max(self.width, self.height)

    def grown(self, by: float) -> Box:
        """Return the box with ``by`` mm more on every side."""
        return Box(self.left - by, self.right + by, self.bottom - by, self.top + by)


def box_around(points: Iterable[npt.ArrayLike]) -> Box:
    """Return the smallest box around page points (..., 2), NaN left out."""
    flat = np.concatenate([np.asarray(p, dtype=np.float64).reshape(-1, 2) for p in points])
    flat = flat[np.isfinite(flat).all(axis=1)]
    (left, bottom), (right, top) = flat.min(axis=0), flat.max(axis=0)
    return Box(float(left), float(right), float(bottom), float(top))


@dataclass(frozen=True, slots=True, eq=False)
class Fan:
    """``points`` (stations, rays, 3), mm: source, every element, every plane; NaN once stopped.

    ``overfills`` says whether the light reaches past the first mirror's aperture.
    """

    points: Floats
    overfills: bool


def trace_fan(layout: Layout, across: int, count: int = 7) -> Fan:
    """Trace ``count`` rays that fan out along the source's x (``across`` 0) or y (1).

    A source is followed to its numerical aperture or the mirror's edge, whichever comes first; a
    beam to its diameter.
    """
    poses = place(layout)
    low, high = _reach(layout, poses, across)
    steps = np.linspace(low, high, count)
    points, directions = np.zeros((count, 3)), np.zeros((count, 3))
    if isinstance(layout.light, Beam):
        points[:, across] = steps
    else:
        directions[:, across] = steps
    directions[:, 2] = np.sqrt(1 - directions[:, across] ** 2)
    rays = Rays.from_vectors(points, directions).moved(poses["source"])
    first = layout.elements[0]
    overfills = footprints(layout)[first.name][1] > first.surface.clear_aperture
    return Fan(_stations(layout, poses, rays), overfills)


def chief_points(layout: Layout) -> Floats:
    """Return (stations, 3), mm: where the chief ray leaves, meets every element and every plane."""
    poses = place(layout)
    rays = Rays.from_vectors(np.zeros((1, 3)), np.array([[0.0, 0.0, 1.0]])).moved(poses["source"])
    return _stations(layout, poses, rays)[:, 0]


def _stations(layout: Layout, poses: dict[str, Pose], rays: Rays) -> Floats:
    stations = [rays.points]
    for element in layout.elements:
        stopped = rays.alive
        rays = reflect(rays, element.surface, poses[element.name], clip=True)
        stations.append(_hide(rays.points, stopped))
    for plane in layout.planes:
        x, y, _ = to_plane(rays, poses[plane.name])
        there = poses[plane.name].apply(np.stack([x, y, np.zeros_like(x)], axis=-1))
        stations.append(_hide(there, rays.alive))
    return np.stack(stations).astype(np.float64)


def _hide(points: Floats, alive: npt.NDArray[np.bool_] | None) -> Floats:
    return points if alive is None else np.where(alive[:, None], points, np.nan)


def _reach(layout: Layout, poses: dict[str, Pose], across: int) -> tuple[float, float]:
    """Return the fan's two ends, sines for a source, mm for a beam."""
    rim = _rim(layout, poses, across)
    if isinstance(layout.light, Beam):
        edge, ends = layout.light.diameter / 2, rim[:, across]
    else:
        edge, ends = layout.light.na, rim[:, across] / np.linalg.norm(rim, axis=1)
    low, high = float(ends.min()), float(ends.max())
    inside = 1 - 1e-9
    return max(-edge, low * inside), min(edge, high * inside)


def _rim(layout: Layout, poses: dict[str, Pose], across: int) -> Floats:
    """Return the two rim points of the first mirror along ``across``, in the source's frame."""
    first = layout.elements[0]
    to_source = poses["source"].inverse().compose(poses[first.name])
    radius = first.surface.clear_aperture / 2
    turns = np.linspace(0, 2 * np.pi, 721)
    rim = rim_points(first.surface, radius, turns)
    local: Floats = to_source.apply(rim)
    other = np.abs(local[:, 1 - across])
    near = local[other <= np.sort(other)[3]]
    return np.stack([near[np.argmin(near[:, across])], near[np.argmax(near[:, across])]])


def rim_points(surface: Surface, radius: float, turns: Sequence[float] | Floats) -> Floats:
    """Return (n, 3) points of a mirror's edge at azimuths ``turns`` (rad), local frame, mm."""
    angle = np.asarray(turns, dtype=np.float64)
    return on_surface(surface, radius * np.cos(angle), radius * np.sin(angle))


def on_surface(surface: Surface, x: Floats, y: Floats) -> Floats:
    """Return (n, 3) points of a mirror's surface above local ``x``, ``y`` (mm)."""
    if isinstance(surface, Flat):
        return np.stack([x, y, np.zeros_like(x)], axis=-1)
    h = surface.off_axis_distance
    f = surface.parent_focal_length
    return np.stack([x, y, (x * (x + 2 * h) + y * y) / (4 * f)], axis=-1)
