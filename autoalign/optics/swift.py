"""The exact trace of the usual case, real rays without batch or figure error, in less time.

Everything happens in place in a workspace that stays in the processor's cache and is kept between
calls; memory that is new at every step costs more than the arithmetic. Inside a paraboloid's frame
lengths are in units of twice the parent's focal length and start at its vertex. The surface is then
x² + y² = 2z, along a ray a t² + 2b t + c = 0 with a = l² + m², b = xl + ym − n and
c = x² + y² − 2z, t = −c/(b + r) with r = √(b² − ac), and a ray that met it loses r/(z + ½) times
(x, y, −1) from its direction. Where a ray misses, the caller falls back on :mod:`.trace`.
"""

from __future__ import annotations

import threading
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.optics.layout import Element, Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose
from autoalign.optics.rays import Rays

__all__ = ["Swift"]

Floats = npt.NDArray[np.float64]
Crossing = tuple[Floats, Floats, Floats]
_Carry = tuple[Floats, Floats, Floats]

_BLOCK = 8000
"""Rays that are traced in one go: not a power of two, whose columns would share cache lines."""


@dataclass(frozen=True, slots=True)
class _Frame:
    """x_bench = ``rotation`` (``scale`` u) + ``position``."""

    rotation: Floats
    position: Floats
    scale: float = 1.0

    def into(self, other: _Frame) -> _Carry:
        """Return what carries points (matrix and shift) and directions (matrix) into ``other``."""
        back = other.rotation.T
        turn = back @ self.rotation
        shift = back @ (self.position - other.position) / other.scale
        return turn * (self.scale / other.scale), shift[:, None], turn


@dataclass(frozen=True, slots=True)
class _Mirror:
    """A mirror's frame, its rim (centre along x and radius, squared, scaled), and what it is."""

    frame: _Frame
    centre: float
    rim: float
    curved: bool

    @classmethod
    def of(cls, element: Element, pose: Pose) -> _Mirror:
        radius, optic = element.surface.clear_aperture / 2, element.surface
        if not isinstance(optic, OffAxisParaboloid):
            return cls(_Frame(pose.rotation, pose.position), 0.0, radius**2, False)
        scale, h = 2 * optic.parent_focal_length, optic.off_axis_distance
        vertex = pose.apply((-h, 0.0, -h * h / (2 * scale)))
        return cls(_Frame(pose.rotation, vertex, scale), h / scale, (radius / scale) ** 2, True)


_KEPT = threading.local()


def _space() -> Floats:
    """Return room for one block (6, 3, n): points and directions, twice, and scratch, twice."""
    if not hasattr(_KEPT, "space"):
        _KEPT.space = np.empty((6, 3, _BLOCK))
    space: Floats = _KEPT.space
    return space


class Swift:
    """Traces real rays through ``layout`` with everything standing at ``poses``.

    Check :meth:`suits` first.
    """

    def __init__(
        self,
        layout: Layout,
        poses: Mapping[str, Pose],
        clip: bool,
        screens: Sequence[Pose] = (),
    ) -> None:
        at = _Frame(poses["source"].rotation, poses["source"].position)
        self._clip = clip
        self._steps: list[tuple[_Mirror, _Carry]] = []
        for element in layout.elements:
            mirror = _Mirror.of(element, poses[element.name])
            self._steps.append((mirror, at.into(mirror.frame)))
            at = mirror.frame
        self._out = at.into(_Frame(np.eye(3), np.zeros(3)))
        self._screens = _screens(at, screens)

    @staticmethod
    def suits(
        layout: Layout, poses: Mapping[str, Pose], rays: Rays, screens: Sequence[Pose] = ()
    ) -> bool:
        """Whether there are rays, and rays and poses are real and not a batch."""
        parts = [poses["source"], *(poses[e.name] for e in layout.elements), *screens]
        columns = (rays.x, rays.y, rays.z, rays.l, rays.m, rays.n, rays.path)
        return (
            rays.count > 0
            and all(_plain(c, 1) for c in columns)
            and all(_plain(p.rotation, 2) and _plain(p.position, 1) for p in parts)
        )

    def trace(self, rays: Rays, chunk: int = _BLOCK) -> tuple[Rays, list[Crossing]] | None:
        """Return the rays in the bench frame, and (x, y, path) at every screen; None for a miss."""
        count, planes = rays.count, len(self._screens)
        # All results in one piece: memory asked for in many pieces is given back and forth.
        store = np.empty((7 + 3 * planes, count))
        alive = rays.alive
        if self._clip:
            alive = np.ones(count, bool) if alive is None else alive.copy()
        columns = (rays.x, rays.y, rays.z, rays.l, rays.m, rays.n, rays.path)
        size = min(chunk, _BLOCK)
        for first in range(0, count, size):
            part = slice(first, min(first + size, count))
            kept = alive[part] if self._clip and alive is not None else None
            if not self._block([c[part] for c in columns], store[:, part], kept):
                return None
        whole = Rays.from_blocks(store[:3], store[3:6], store[6], rays.weight, alive)
        return whole, [(store[k], store[k + 1], store[k + 2]) for k in range(7, len(store), 3)]

    def _block(
        self,
        given: Sequence[Floats],
        store: Floats,
        alive: npt.NDArray[np.bool_] | None,
    ) -> bool:
        space = _space()[:, :, : store.shape[1]]
        here, there, scratch = space[:2], space[2:4], space[4:]
        path = store[6]
        for row, column in zip((*here[0], *here[1], path), given, strict=True):
            row[:] = column
        for mirror, carry in self._steps:
            _apply(carry, here, there)
            here, there = there, here
            meet = _meet_paraboloid if mirror.curved else _meet_flat
            if not meet(here, path, mirror.frame.scale, scratch):
                return False
            if alive is not None:
                _stop(mirror, here[0], scratch[0], alive)
        slopes, first = scratch[0], store[7:10]
        for k, (way, shift) in enumerate(self._screens):
            found = store[7 + 3 * k : 10 + 3 * k]
            if way is not None:
                _apply(way, here, there)
                _cross(there, path, slopes, found, scratch[1])
                first = found
            else:
                np.multiply(slopes, shift[2], out=scratch[1])
                np.add(first, scratch[1], out=found)
                found[:2] -= shift[:2]
        _apply(self._out, here, store[:6].reshape(2, 3, -1))
        return True


def _screens(at: _Frame, screens: Sequence[Pose]) -> list[tuple[_Carry | None, Floats]]:
    """Return by screen how to get there, or how far it stands from the last one turned alike."""
    found: list[tuple[_Carry | None, Floats]] = []
    last: Pose | None = None
    for screen in screens:
        if last is not None and last.rotation is screen.rotation:
            shift = screen.rotation.T @ (screen.position - last.position)
            found.append((None, shift[:, None]))
        else:
            last = screen
            carry = at.into(_Frame(screen.rotation, screen.position))
            found.append((carry, np.zeros((3, 1))))
    return found


def _plain(values: npt.NDArray[np.generic], dimensions: int) -> bool:
    return values.dtype == np.float64 and values.ndim == dimensions


def _apply(carry: _Carry, here: Floats, there: Floats) -> None:
    matrix, shift, turn = carry
    np.matmul(matrix, here[0], out=there[0])
    np.add(there[0], shift, out=there[0])
    np.matmul(turn, here[1], out=there[1])


def _meet_paraboloid(rays: Floats, path: Floats, scale: float, scratch: Floats) -> bool:
    points, directions = rays
    z, n = points[2], directions[2]
    (a, b, c), three = scratch
    two = three[:2]
    np.multiply(directions[:2], directions[:2], out=two)
    np.add(two[0], two[1], out=a)
    np.multiply(points[:2], directions[:2], out=two)
    np.add(two[0], two[1], out=b)
    np.subtract(b, n, out=b)
    np.multiply(points[:2], points[:2], out=two)
    np.add(two[0], two[1], out=c)
    np.subtract(c, z, out=c)
    np.subtract(c, z, out=c)
    np.multiply(a, c, out=a)
    square = np.multiply(b, b, out=three[0])
    np.subtract(square, a, out=a)
    if not (b.min() > 0 and a.min() > 0):
        return False
    r = np.sqrt(a, out=a)
    np.add(b, r, out=b)
    back = np.divide(c, b, out=c)
    np.multiply(directions, back, out=three)
    np.subtract(points, three, out=points)
    np.multiply(back, scale, out=b)
    np.subtract(path, b, out=path)
    np.add(z, 0.5, out=b)
    np.divide(r, b, out=r)
    np.multiply(points[:2], r, out=two)
    np.subtract(directions[:2], two, out=directions[:2])
    np.add(n, r, out=n)
    return True


def _meet_flat(rays: Floats, path: Floats, scale: float, scratch: Floats) -> bool:
    points, directions = rays
    (back, _, _), three = scratch
    z, n = points[2], directions[2]
    if not np.abs(n, out=back).min() > 0:
        return False
    np.divide(z, n, out=back)
    np.multiply(directions, back, out=three)
    np.subtract(points, three, out=points)
    np.multiply(back, scale, out=back)
    np.subtract(path, back, out=path)
    np.negative(n, out=n)
    return True


def _stop(mirror: _Mirror, points: Floats, scratch: Floats, alive: npt.NDArray[np.bool_]) -> None:
    x, y, _ = scratch
    np.subtract(points[0], mirror.centre, out=x)
    np.multiply(x, x, out=x)
    np.multiply(points[1], points[1], out=y)
    np.add(x, y, out=x)
    alive &= x <= mirror.rim


def _cross(rays: Floats, path: Floats, slopes: Floats, found: Floats, scratch: Floats) -> None:
    """Fill ``found`` with x, y, path at z = 0, and ``slopes`` with l/n, m/n, 1/n."""
    points, directions = rays
    np.divide(1.0, directions[2], out=slopes[2])
    np.multiply(directions[:2], slopes[2], out=slopes[:2])
    np.multiply(slopes, points[2], out=scratch)
    np.subtract(points[:2], scratch[:2], out=found[:2])
    np.subtract(path, scratch[2], out=found[2])
