"""Where every part of a bench stands for given axis positions.

A pose carries a part's local frame into the bench frame: x_bench = R x_local + p. Everything here
broadcasts over leading batch dimensions and keeps complex numbers, so that one call gives many
variations, or exact derivatives by complex steps.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from functools import lru_cache
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError, unknown_name
from autoalign.optics.layout import Beam, Element, Flat, Layout, Motion, Plane, Source

__all__ = ["IDENTITY_POSE", "Array", "Pose", "displacement", "frame_along", "place"]

Array = npt.NDArray[Any]

_UP = np.array([0.0, 1.0, 0.0])


@dataclass(frozen=True, slots=True, eq=False)
class Pose:
    """A rigid transformation: ``rotation`` (..., 3, 3) and ``position`` (..., 3), mm."""

    rotation: Array
    position: Array

    def compose(self, inner: Pose) -> Pose:
        """Return the pose that applies ``inner`` first and then this one."""
        position = _turned(self.rotation, inner.position) + self.position
        return Pose(self.rotation @ inner.rotation, position)

    def inverse(self) -> Pose:
        """Return the pose that undoes this one (the transpose; no conjugation)."""
        back = np.swapaxes(self.rotation, -1, -2)
        return Pose(back, -_turned(back, self.position))

    def apply(self, points: npt.ArrayLike) -> Array:
        """Carry local ``points`` (..., 3), mm, into the bench frame."""
        return _turned(self.rotation, np.asarray(points)) + self.position

    def turn(self, directions: npt.ArrayLike) -> Array:
        """Carry local ``directions`` (..., 3) into the bench frame, without the shift."""
        return _turned(self.rotation, np.asarray(directions))


IDENTITY_POSE = Pose(np.eye(3), np.zeros(3))
"""The pose that leaves everything where it is."""


def _turned(rotation: Array, vectors: Array) -> Array:
    product: Array = (rotation @ vectors[..., None])[..., 0]
    return product


def frame_along(direction: npt.ArrayLike) -> Array:
    """Return the rotation (3, 3) to the frame with z along ``direction``, x level and y up.

    x = up × z lies in the bench's x–z plane. For the source of a paraboloid this x is −e_t, the
    opposite of :attr:`.OffAxisParaboloid.sideways`.

    Raises
    ------
    UsageError
        For a direction along the vertical, which leaves x undefined.
    """
    z = np.asarray(direction, dtype=float)
    z = z / np.linalg.norm(z)
    x = np.cross(_UP, z)
    size = float(np.linalg.norm(x))
    if size < 1e-9:
        raise UsageError(f"direction {tuple(z.tolist())} is vertical; its frame is undefined.")
    x = x / size
    return np.stack([x, np.cross(z, x), z], axis=-1)


def displacement(motion: Motion, amount: npt.ArrayLike) -> Pose:
    """Return the rigid displacement of the bench frame that ``motion`` by ``amount`` makes.

    ``amount`` (...) in mm for a shift, rad for a turn (right-handed, Rodrigues' formula).
    """
    q = np.asarray(amount)[..., None]
    direction = np.asarray(motion.direction)
    if motion.kind == "shift":
        return Pose(np.eye(3), q * direction)
    kx, ky, kz = (direction[..., i] for i in range(3))
    zero = np.zeros_like(kx)
    cross = np.stack([zero, -kz, ky, kz, zero, -kx, -ky, kx, zero], axis=-1)
    cross = cross.reshape(*kx.shape, 3, 3)
    angle = q[..., None]
    rotation = np.eye(3) + np.sin(angle) * cross + (2 * np.sin(angle / 2) ** 2) * (cross @ cross)
    pivot = np.asarray(motion.pivot)
    return Pose(rotation, pivot - _turned(rotation, pivot))


def place(
    layout: Layout,
    positions: Mapping[str, Any] | None = None,
    offsets: Mapping[str, Pose] | None = None,
) -> dict[str, Pose]:
    """Return the pose (local to bench) of "source", of every element and of every plane.

    Parameters
    ----------
    layout
        The bench on paper.
    positions
        mm or rad by axis, real or complex, numbers or arrays of one batch shape; axes that are not
        named are at 0. Motions of a part form a stack of stages: the first in
        ``layout.motions`` is the outermost, the last carries the part.
    offsets
        Further displacement by part, in the part's own frame, applied first (misalignment).

    Raises
    ------
    UnknownNameError
        For an axis or a part that the layout lacks.
    """
    nominal = _nominal(layout.light, layout.elements, layout.planes)
    asked, extra = positions or {}, offsets or {}
    axes = {m.axis for m in layout.motions}
    for axis in asked:
        if axis not in axes:
            raise unknown_name("axis", axis, axes, "layout")
    for part in extra:
        if part not in nominal:
            raise unknown_name("part", part, nominal, "layout")
    poses = {k: v.compose(extra[k]) if k in extra else v for k, v in nominal.items()}
    for motion in reversed(layout.motions):
        if motion.axis in asked:
            moved = displacement(motion, asked[motion.axis])
            poses[motion.part] = moved.compose(poses[motion.part])
    return poses


@lru_cache(maxsize=64)
def _nominal(
    light: Source | Beam, elements: tuple[Element, ...], planes: tuple[Plane, ...]
) -> dict[str, Pose]:
    """Poses with every axis at zero; the planes hang on the chief ray's way through the mirrors."""
    poses = {"source": Pose(frame_along(light.direction), np.array(light.position, dtype=float))}
    point = poses["source"].position
    direction = poses["source"].rotation[:, 2]
    for element in elements:
        pose = Pose(np.array(element.rotation, dtype=float), np.array(element.position, float))
        poses[element.name] = pose
        point, direction = _chief(element, pose, point, direction)
    turn = frame_along(direction) if planes else np.eye(3)
    for plane in planes:
        poses[plane.name] = Pose(turn, point + plane.distance * direction)
    return poses


def _chief(element: Element, pose: Pose, point: Array, direction: Array) -> tuple[Array, Array]:
    """Where the chief ray meets ``element``, and where it goes from there."""
    from autoalign.optics.rays import Rays  # noqa: PLC0415  (rays needs Pose)
    from autoalign.optics.trace import reflect  # noqa: PLC0415

    rays = Rays.from_vectors(point[None], direction[None])
    out = reflect(rays, element.surface, pose)
    if not np.all(np.isfinite(out.x)):
        kind = "flat" if isinstance(element.surface, Flat) else "paraboloid"
        raise UsageError(f"layout: the chief ray misses the {kind} {element.name!r}.")
    return out.points[0], out.directions[0]
