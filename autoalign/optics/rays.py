"""Many rays as one array per coordinate."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass, field, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.optics.pose import Array, Pose

__all__ = ["Rays"]

_COLUMNS = ("x", "y", "z", "l", "m", "n", "path", "weight", "alive")


@dataclass(frozen=True, slots=True, eq=False)
class Rays:
    """A bundle of rays, real or complex, with rays along the last axis.

    Parameters
    ----------
    x, y, z
        (..., n) points on the rays, mm.
    l, m, n
        (..., n) direction cosines.
    path
        (..., n) optical path up to that point, mm.
    weight
        (..., n) power that the ray stands for, or None for equal ones.
    alive
        (..., n) False where a clear aperture has stopped the ray, or None while nothing has. A ray
        that misses a surface altogether has NaN coordinates and is not alive.
    """

    x: Array
    y: Array
    z: Array
    l: Array  # noqa: E741  (the name that direction cosines have)
    m: Array
    n: Array
    path: Array
    weight: Array | None = None
    alive: npt.NDArray[np.bool_] | None = None
    _blocks: tuple[Array, Array] | None = field(default=None, init=False, repr=False)

    @classmethod
    def from_blocks(
        cls,
        points: Array,
        directions: Array,
        path: Array,
        weight: Array | None = None,
        alive: npt.NDArray[np.bool_] | None = None,
    ) -> Rays:
        """Make rays from ``points`` and ``directions`` (..., 3, n), which are kept, not copied."""
        x, y, z = (points[..., i, :] for i in range(3))
        l, m, n = (directions[..., i, :] for i in range(3))  # noqa: E741
        rays = cls(x, y, z, l, m, n, path, weight, alive)
        object.__setattr__(rays, "_blocks", (points, directions))
        return rays

    @classmethod
    def from_vectors(cls, points: Array, directions: Array, weight: Array | None = None) -> Rays:
        """Make rays from ``points`` (..., n, 3), mm, and unit ``directions`` (..., n, 3)."""
        points, directions = np.broadcast_arrays(points, directions)
        p, d = (np.ascontiguousarray(np.swapaxes(v, -1, -2)) for v in (points, directions))
        return cls.from_blocks(p, d, np.zeros_like(p[..., 0, :]), weight)

    @property
    def count(self) -> int:
        """Number of rays along the last axis."""
        return int(self.x.shape[-1])

    @property
    def points(self) -> Array:
        """(..., n, 3) points on the rays, mm."""
        return np.stack([self.x, self.y, self.z], axis=-1)

    @property
    def directions(self) -> Array:
        """(..., n, 3) direction cosines."""
        return np.stack([self.l, self.m, self.n], axis=-1)

    @property
    def power(self) -> Array:
        """(..., n) weight of each ray, 1 where none is given, 0 where it has been stopped."""
        weight = np.ones(self.x.shape) if self.weight is None else self.weight
        return weight if self.alive is None else np.where(self.alive, weight, 0.0)

    def blocks(self) -> tuple[Array, Array]:
        """Return points and directions as blocks (..., 3, n), for products with matrices."""
        if self._blocks is not None:
            return self._blocks
        points, directions = (self.x, self.y, self.z), (self.l, self.m, self.n)
        return (
            np.stack(np.broadcast_arrays(*points), axis=-2),
            np.stack(np.broadcast_arrays(*directions), axis=-2),
        )

    def moved(self, pose: Pose) -> Rays:
        """Carry the rays from the local frame of ``pose`` into the bench frame."""
        points, directions = self.blocks()
        points = pose.rotation @ points
        shift = pose.position[..., :, None]
        # A batch of shifts may have more dimensions than the points.
        points = np.add(points, shift, out=points if _fits(points, shift) else None)
        return Rays.from_blocks(
            points, pose.rotation @ directions, self.path, self.weight, self.alive
        )

    def reversed(self) -> Rays:
        """Return the rays running back the way they came, with the path counted down."""
        return replace(self, l=-self.l, m=-self.m, n=-self.n, path=-self.path)

    def part(self, start: int, stop: int) -> Rays:
        """Return rays ``start`` to ``stop`` (views, nothing is copied)."""
        columns: list[Any] = [getattr(self, name) for name in _COLUMNS]
        cut: list[Any] = [c if c is None else c[..., start:stop] for c in columns]
        rays = Rays(*cut)
        if self._blocks is not None:
            blocks = tuple(block[..., start:stop] for block in self._blocks)
            object.__setattr__(rays, "_blocks", blocks)
        return rays

    def chunks(self, size: int) -> Iterator[Rays]:
        """Yield the rays in parts of at most ``size``; no rays are one empty part."""
        for start in range(0, max(self.count, 1), size):
            yield self.part(start, min(start + size, self.count))

    @staticmethod
    def joined(parts: list[Rays]) -> Rays:
        """Put parts (at least one) together again along the last axis."""
        if len(parts) == 1:
            return parts[0]
        columns = [[getattr(p, name) for p in parts] for name in _COLUMNS]
        whole: list[Any] = [None if c[0] is None else np.concatenate(c, axis=-1) for c in columns]
        return Rays(*whole)


def _fits(points: Array, shift: Array) -> bool:
    """Whether adding ``shift`` to ``points`` keeps their shape and kind of number."""
    same = np.broadcast_shapes(points.shape, shift.shape) == points.shape
    return same and np.result_type(points, shift) == points.dtype
