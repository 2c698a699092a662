"""The integration window of ISO 11146-1, and weighted sums of pixels over it.

A window is a rectangle along the beam's principal axes. Each pixel counts with the part of it that
lies inside (exact along an edge; the product of two edges in a corner), so that widths change
smoothly with the window and iterate to a fixed point. Coordinates are mm in frame axes, counted
from the centre of the first pixel.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.frames import Pixels

__all__ = ["Window", "coverage", "coverage_along", "powers", "row_bounds", "window_sums"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]

_CHUNK = 64


@dataclass(frozen=True, slots=True)
class Window:
    """Centre (x, y), half sides along and across the principal axis, mm; azimuth, rad."""

    x: float
    y: float
    half_x: float
    half_y: float
    azimuth: float = 0.0

    @property
    def scale(self) -> float:
        """The longer half side, mm: the unit of length of :func:`window_sums`."""
        return max(self.half_x, self.half_y)

    @property
    def upright(self) -> bool:
        """Whether the sides run along x and y."""
        return abs(math.sin(self.azimuth)) < 1e-12

    @property
    def sides(self) -> tuple[tuple[float, float, float], tuple[float, float, float]]:
        """The two pairs of sides as (n_x, n_y, h): inside is |n·(p − centre)| ≤ h."""
        c, s = math.cos(self.azimuth), math.sin(self.azimuth)
        return ((c, s, self.half_x), (-s, c, self.half_y))

    @property
    def reach(self) -> tuple[float, float]:
        """Half width and half height of the upright rectangle around the window, mm."""
        c, s = abs(math.cos(self.azimuth)), abs(math.sin(self.azimuth))
        return c * self.half_x + s * self.half_y, s * self.half_x + c * self.half_y

    def box(
        self, shape: tuple[int, int], pitch: tuple[float, float], grow: float = 1.0
    ) -> tuple[int, int, int, int]:
        """Return the pixels (row, end row, column, end column) of the window, and one more around.

        ``grow`` enlarges the window about its centre first. At least one pixel of the frame is
        returned, also for a window beside it.
        """
        rx, ry = self.reach
        return (
            *_span(self.y, ry * grow, pitch[1], shape[0]),
            *_span(self.x, rx * grow, pitch[0], shape[1]),
        )

    def towards(self, other: Window, part: float) -> Window:
        """Return the window that lies ``part`` (0 to 1) of the way to ``other``."""
        if part == 1.0:
            return other
        return Window(
            self.x + part * (other.x - self.x),
            self.y + part * (other.y - self.y),
            self.half_x * (other.half_x / self.half_x) ** part,
            self.half_y * (other.half_y / self.half_y) ** part,
            self.azimuth + part * (other.azimuth - self.azimuth),
        )

    def change(self, other: Window) -> float:
        """Return how far ``other`` differs, in units of the half sides."""
        shift = max(abs(self.x - other.x), abs(self.y - other.y)) / min(self.half_x, self.half_y)
        sides = max(
            abs(math.log(other.half_x / self.half_x)), abs(math.log(other.half_y / self.half_y))
        )
        turn = abs(math.sin(other.azimuth - self.azimuth)) * abs(self.half_x - self.half_y)
        return max(shift, sides, turn / self.scale)


def coverage(window: Window, x: Floats, y: Floats, pitch: tuple[float, float]) -> Floats:
    """Return the part of each cell inside ``window``; ``x`` and ``y`` broadcast against each other.

    ``pitch`` is the size of a cell, mm.
    """
    dx, dy = x - window.x, y - window.y
    if window.upright:
        return coverage_along(dx, window.half_x, pitch[0]) * coverage_along(
            dy, window.half_y, pitch[1]
        )
    covered = []
    for nx, ny, h in window.sides:
        inside = nx * dx + ny * dy
        np.abs(inside, out=inside)
        np.subtract(h, inside, out=inside)
        covered.append(_half_plane(inside, abs(nx) * pitch[0], abs(ny) * pitch[1]))
    covered[0] *= covered[1]
    return covered[0]


def window_sums(
    pixels: Pixels,
    window: Window,
    pitch: tuple[float, float],
    background: tuple[float, float, float],
) -> Floats:
    """Return the (4, 4) sums M[p, q] = Σ W (I − B) u^p v^q with (u, v) = (p − centre)/scale.

    Parameters
    ----------
    pixels
        (rows, columns).
    window, pitch
        mm.
    background
        (level, slope along x per mm, slope along y per mm) at the window's centre.
    """
    r0, r1, c0, c1 = window.box((pixels.shape[0], pixels.shape[1]), pitch)
    x: Floats = np.arange(c0, c1, dtype=np.float64) * pitch[0] - window.x
    y: Floats = np.arange(r0, r1, dtype=np.float64) * pitch[1] - window.y
    part = pixels[r0:r1, c0:c1]
    v = powers(y / window.scale, 4)
    level, slope_x, slope_y = background
    if window.upright:
        along = coverage_along(x, window.half_x, pitch[0])[:, None] * powers(x / window.scale, 5)
        v *= coverage_along(y, window.half_y, pitch[1])[:, None]
        lines = _line_sums(part, along[:, :4], None)
        area = along.sum(axis=0)[None, :]
    else:
        cut = _RowCut.of(window, x, y, pitch)
        along = powers(x / window.scale, 5)
        lines = _line_sums(part, along[:, :4], cut)
        area = cut.line_areas(along)
    ground = (level + slope_y * y)[:, None] * area[:, :4]
    ground += slope_x * window.scale * area[:, 1:]
    sums: Floats = (lines - ground).T @ v
    return sums


def powers(x: Floats, count: int) -> Floats:
    """Return the columns 1, x, x² … x^(count − 1)."""
    lines = np.empty((count, len(x)))
    lines[0] = 1.0
    for k in range(1, count):
        np.multiply(lines[k - 1], x, out=lines[k])
    return lines.T


def _line_sums(part: Pixels, u: Floats, cut: _RowCut | None) -> Floats:
    """Return (rows, 4) sums over each row, a few rows at a time so that they stay in the cache."""
    rows, columns = part.shape
    u = np.ascontiguousarray(u)
    buffer = np.empty(_CHUNK * columns)
    lines = np.empty((rows, 4))
    starts = np.arange(0, rows, _CHUNK)
    whole = [(0, 0, columns, columns)] * len(starts)
    for start, reach in zip(
        starts.tolist(), whole if cut is None else cut.chunks(starts), strict=True
    ):
        end = min(start + _CHUNK, rows)
        first, last = reach[0], reach[3]
        light = buffer[: (end - start) * (last - first)].reshape(end - start, last - first)
        np.copyto(light, part[start:end, first:last])
        if cut is not None:
            cut.apply(light, start, end, reach)
        np.matmul(light, u[first:last], out=lines[start:end])
    return lines


@dataclass(frozen=True, slots=True)
class _RowCut:
    """Where a turned window begins and ends in each row, and the partly covered pixels."""

    first: Ints
    last: Ints
    places: Ints
    row_start: list[int]
    row: Ints
    column: Ints
    part: Floats

    @classmethod
    def of(cls, window: Window, x: Floats, y: Floats, pitch: tuple[float, float]) -> _RowCut:
        """Cut the rows ``y`` (mm from the centre) with columns ``x``."""
        outer = row_bounds(window, x, y, pitch, +1)
        inner = row_bounds(window, x, y, pitch, -1)
        inner_first = np.clip(inner[0], outer[0], outer[1])
        inner_last = np.clip(inner[1], inner_first, outer[1])
        row_left, column_left = _runs(outer[0], inner_first)
        row_right, column_right = _runs(inner_last, outer[1])
        row = np.concatenate([row_left, row_right])
        column = np.concatenate([column_left, column_right])
        order = np.argsort(row, kind="stable")
        row, column = row[order], column[order]
        centred = Window(0.0, 0.0, window.half_x, window.half_y, window.azimuth)
        part = coverage(centred, x[column], y[row], pitch)
        starts = np.searchsorted(row, np.arange(len(y) + 1)).tolist()
        return cls(outer[0], outer[1], np.arange(len(x)), starts, row, column, part)

    def line_areas(self, along: Floats) -> Floats:
        """Return Σ coverage · along over each row, (rows, k), for the columns ``along`` (n, k)."""
        table = np.zeros((len(along) + 1, along.shape[1]))
        np.cumsum(along, axis=0, out=table[1:])
        area: Floats = table[self.last] - table[self.first]
        missing = (self.part - 1.0)[:, None] * along[self.column]
        for k in range(along.shape[1]):
            area[:, k] += np.bincount(self.row, missing[:, k], len(area))
        return area

    def chunks(self, starts: Ints) -> list[tuple[int, int, int, int]]:
        """Return, for the runs of rows that begin at ``starts``, which columns they reach over.

        First, all, up to all, end: from the second to the third every row of the run is inside.
        """
        first, last = self.first, self.last
        bounds = (
            np.minimum.reduceat(first, starts),
            np.maximum.reduceat(first, starts),
            np.minimum.reduceat(last, starts),
            np.maximum.reduceat(last, starts),
        )
        return list(zip(*(b.tolist() for b in bounds), strict=True))

    def apply(self, rows: Floats, start: int, end: int, reach: tuple[int, int, int, int]) -> None:
        """Weight ``rows``, from row ``start`` to ``end`` and over ``reach``, in place."""
        offset, left, right, stop = reach
        right = max(right, offset)
        columns = self.places
        outside = columns[offset:left] < self.first[start:end, None]
        np.copyto(rows[:, : left - offset], 0.0, where=outside)
        outside = columns[right:stop] >= self.last[start:end, None]
        np.copyto(rows[:, right - offset :], 0.0, where=outside)
        a, b = self.row_start[start], self.row_start[end]
        rows[self.row[a:b] - start, self.column[a:b] - offset] *= self.part[a:b]


def row_bounds(
    window: Window, x: Floats, y: Floats, pitch: tuple[float, float], sign: int
) -> tuple[Ints, Ints]:
    """Return first and end column, per row, of cells touched (+1) or wholly inside (−1).

    ``x`` (columns,) and ``y`` (rows,) are counted from the window's centre; (n, n) is none.
    """
    low = np.full(len(y), -np.inf)
    high = np.full(len(y), np.inf)
    for nx, ny, h in window.sides:
        reach = h + sign * (abs(nx) * pitch[0] + abs(ny) * pitch[1]) / 2
        if abs(nx) < 1e-12:
            high[np.abs(ny * y) > reach] = -np.inf
            continue
        ends = (-reach - ny * y) / nx, (reach - ny * y) / nx
        low = np.maximum(low, np.minimum(*ends))
        high = np.minimum(high, np.maximum(*ends))
    first = np.searchsorted(x, low, side="left")
    last = np.searchsorted(x, high, side="right")
    return first, np.maximum(first, last)


def _runs(first: Ints, last: Ints) -> tuple[Ints, Ints]:
    """Return rows and columns of the runs first[k] … last[k] − 1."""
    lengths = last - first
    rows = np.repeat(np.arange(len(first)), lengths)
    offsets = np.arange(len(rows)) - np.repeat(np.cumsum(lengths) - lengths, lengths)
    return rows, np.repeat(first, lengths) + offsets


def _span(centre: float, reach: float, pitch: float, count: int) -> tuple[int, int]:
    first = math.floor((centre - reach) / pitch - 0.5)
    last = math.ceil((centre + reach) / pitch + 0.5) + 1
    first = min(max(first, 0), count - 1)
    return first, min(max(last, first + 1), count)


def coverage_along(x: Floats, half: float, pitch: float) -> Floats:
    """Return the part of each cell within ±half."""
    inside: Floats = np.abs(x)
    np.subtract(half + pitch / 2, inside, out=inside)
    inside /= pitch
    np.minimum(inside, min(1.0, 2 * half / pitch), out=inside)
    return np.maximum(inside, 0.0, out=inside)


def _half_plane(inside: Floats, a: float, b: float) -> Floats:
    """Return the part of a cell inside a straight edge at distance ``inside`` from its centre.

    ``a`` and ``b`` are the cell's sides projected onto the edge's normal: the covered area rises as
    a trapezoid's does, by squares at both ends and evenly between.
    """
    a, b = max(a, b), min(a, b)
    if b < 1e-6 * a:
        return np.minimum(np.maximum(inside / a + 0.5, 0.0), 1.0)
    covered: Floats = np.abs(inside)
    np.minimum(covered, (a + b) / 2, out=covered)
    late = covered - (a - b) / 2
    np.maximum(late, 0.0, out=late)
    late *= late
    late *= 0.5 / b
    covered -= late
    covered /= a
    np.copysign(covered, inside, out=covered)
    covered += 0.5
    return covered
