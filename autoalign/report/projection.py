"""Views of a bench: which bench directions run to the right, up and towards the viewer."""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

__all__ = ["Box", "Projection", "box_around", "side_view", "top_view"]

Floats = npt.NDArray[np.float64]

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
