"""Where a camera's pixels lie in the plane that it views."""

from __future__ import annotations

from dataclasses import dataclass
from typing import Any

from autoalign.core.errors import UsageError

__all__ = ["PixelMap"]


@dataclass(frozen=True, slots=True)
class PixelMap:
    """Where pixels lie in a plane: (x, y) = ``matrix`` (column, row) + ``offset``, mm.

    A lens with ``distortion`` k moves what should be r pixels from ``centre`` to r (1 + k r²).
    """

    matrix: tuple[tuple[float, float], tuple[float, float]]
    offset: tuple[float, float]
    centre: tuple[float, float] = (0.0, 0.0)
    distortion: float = 0.0

    def to_pixels(self, x: Any, y: Any) -> tuple[Any, Any]:
        """Return (column, row) of plane points, mm."""
        (a, b), (c, d) = self.matrix
        det = a * d - b * c
        dx, dy = x - self.offset[0], y - self.offset[1]
        column, row = (d * dx - b * dy) / det, (a * dy - c * dx) / det
        if not self.distortion:
            return column, row
        dc, dr = column - self.centre[0], row - self.centre[1]
        grown = self.distortion * (dc * dc + dr * dr)
        return column + dc * grown, row + dr * grown

    def to_plane(self, column: Any, row: Any) -> tuple[Any, Any]:
        """Return plane points, mm, of pixels seen without distortion."""
        (a, b), (c, d) = self.matrix
        return a * column + b * row + self.offset[0], c * column + d * row + self.offset[1]

    def split(self, parts: int) -> PixelMap:
        """Return the map of pixels ``parts`` times as small along both sides, over the same field.

        Raises
        ------
        UsageError
            With a distorting lens, which such pixels would not see alike.
        """
        if self.distortion:
            raise UsageError("pixels: those behind a distorting lens cannot be split.")
        (a, b), (c, d) = self.matrix
        back = (1 / parts - 1) / 2
        return PixelMap(((a / parts, b / parts), (c / parts, d / parts)), self.to_plane(back, back))

    @property
    def area(self) -> float:
        """Area of a pixel in the plane, mm²."""
        (a, b), (c, d) = self.matrix
        return abs(a * d - b * c)
