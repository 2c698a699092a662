"""The light over the background, summed over windows: by pixels in the beam, by cells in the dark.

Where a cell shows light, every pixel of it counts at its own place, once and for all windows. The
dark around, which holds nothing but noise, counts by cells, each with the part of it that lies
inside the window. A following window then costs no further pass over the pixels. Only where there
is light at the window's edge, each window is summed pixel by pixel.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import Background
from autoalign.beam.frame.binned import BinnedFrame, Box
from autoalign.beam.frame.window import Window, coverage, powers, row_bounds, window_sums
from autoalign.core.frames import Pixels

__all__ = ["Light"]

Floats = npt.NDArray[np.float64]
Ints = npt.NDArray[np.intp]
Bools = npt.NDArray[np.bool_]

LIT = 4.0
"""A cell this many times its own noise above the background shows light."""

NEAR = 0.02
"""Part of the half sides by which following windows are allowed for: within so much of its edge
there must be no light, and no pixels are summed for good."""

AROUND = 1.1
"""Sides over those of a window that the cells do not cover, of the part that new ones do."""

ROWS = 64
"""Rows of pixels that are summed at a time, about: they stay in the processor's cache."""


@dataclass(frozen=True, slots=True, eq=False)
class Light:
    """What is needed to sum the light over any window near ``about``.

    ``sums`` (4, 4) over the pixels in the beam, as :func:`.window.window_sums` has them for
    ``about``; ``corners`` x (2, 1, n) and y (2, n) of the areas that these pixels fill, mm;
    ``dark`` the light of all other cells; ``u`` and ``v`` the cells' mean powers of x and y;
    ``beyond`` pixels that belong to no cell (row, end row, column, end column). ``edge_lit``: there
    is light at the window's edge.
    """

    pixels: Pixels
    pitch: tuple[float, float]
    grid: BinnedFrame
    background: Background
    about: Window
    edge_lit: bool
    sums: Floats
    corners: tuple[Floats, Floats]
    dark: Floats
    u: Floats
    v: Floats
    beyond: tuple[Box, ...]

    @classmethod
    def of(
        cls,
        pixels: Pixels,
        pitch: tuple[float, float],
        grid: BinnedFrame,
        background: Background,
        window: Window,
        sigma: float,
    ) -> Light:
        """Sum the pixels of lit cells inside ``window``; ``sigma`` is the noise of a pixel."""
        shape = (pixels.shape[0], pixels.shape[1])
        if not _covers(grid, window, shape, pitch):
            grid = BinnedFrame.of(pixels, pitch, window.box(shape, pitch, AROUND))
        light = grid.mean - background.on(grid)
        lit = light > LIT * sigma / grid.block
        begin, finish = row_bounds(
            _grown(window, 1 - NEAR), grid.x - window.x, grid.y - window.y, grid.pitch, -1
        )
        places = np.arange(len(grid.x))
        well_inside = (places >= begin[:, None]) & (places < finish[:, None])
        edge_lit = grid.block > 1 and _reaches(grid, lit & ~well_inside, window)
        bands = np.zeros((0, 4), dtype=np.intp)
        if grid.block > 1 and not edge_lit:
            bands = _bands(lit & well_inside, begin, finish, max(1, ROWS // grid.block))
        for row, end_row, column, end in bands.tolist():
            light[row:end_row, column:end] = 0.0
        scale, block = window.scale, grid.block
        x, y = (grid.x - window.x) / scale, (grid.y - window.y) / scale
        return cls(
            pixels, pitch, grid, background, window, edge_lit,
            _pixel_sums(pixels, pitch, grid, background, window, bands),
            _corners(grid, bands), light,
            _mean_powers(x, pitch[0] / scale, block), _mean_powers(y, pitch[1] / scale, block),
            _left_over(grid, shape),
        )  # fmt: skip

    def over(self, window: Window) -> Floats | None:
        """Return the (4, 4) sums over ``window``, positions as in ``about``.

        None where it cuts pixels that were summed already, or reaches beyond the cells.
        """
        if self.edge_lit:
            ground = self.background.around(window.x, window.y)
            return _about(window_sums(self.pixels, window, self.pitch, ground), window, self.about)
        if not _covers(self.grid, window, self._shape, self.pitch):
            return None
        for nx, ny, half in window.sides:
            across = nx * (self.corners[0] - window.x) + ny * (self.corners[1] - window.y)
            if np.abs(across).max(initial=0.0) > half:
                return None
        cells = self.grid.weighted(window, self.dark, self.u, self.v)
        sums: Floats = self.sums + cells * self.grid.pixels_per_cell
        for box in self.beyond:
            sums += self._pixels_of(box, window)
        return sums

    @property
    def _shape(self) -> tuple[int, int]:
        return self.pixels.shape[0], self.pixels.shape[1]

    def _pixels_of(self, box: Box, window: Window) -> Floats:
        """Return the sums over those pixels of ``box`` that lie inside ``window``."""
        r0, r1, c0, c1 = window.box(self._shape, self.pitch)
        r0, r1, c0, c1 = max(r0, box[0]), min(r1, box[1]), max(c0, box[2]), min(c1, box[3])
        if r0 >= r1 or c0 >= c1:
            return np.zeros((4, 4))
        moved = replace(window, x=window.x - c0 * self.pitch[0], y=window.y - r0 * self.pitch[1])
        ground = self.background.around(window.x, window.y)
        part = window_sums(self.pixels[r0:r1, c0:c1], moved, self.pitch, ground)
        return _about(part, window, self.about)


def _pixel_sums(
    pixels: Pixels,
    pitch: tuple[float, float],
    grid: BinnedFrame,
    background: Background,
    window: Window,
    bands: Ints,
) -> Floats:
    """Return the (4, 4) sums over all pixels of ``bands``, positions as in ``window``."""
    if not len(bands):
        return np.zeros((4, 4))
    edges = bands * grid.block
    top, left = grid.box[0] + int(edges[0, 0]), grid.box[2] + int(edges[:, 2].min())
    edges -= [edges[0, 0], edges[0, 0], left - grid.box[2], left - grid.box[2]]
    high, wide, scale = int(edges[-1, 1]), int(edges[:, 3].max()), window.scale
    x: Floats = (np.arange(left, left + wide, dtype=np.float64) * pitch[0] - window.x) / scale
    y: Floats = (np.arange(top, top + high, dtype=np.float64) * pitch[1] - window.y) / scale
    u = powers(x, 5)
    table = np.zeros((wide + 1, 5))
    np.cumsum(u, axis=0, out=table[1:])
    lines, area = np.zeros((high, 4)), np.zeros((high, 5))
    part = pixels[top : top + high, left : left + wide]
    level, slope_x, slope_y = background.around(window.x, window.y)
    # Less a whole number near the level, whole numbers are exact in short floats, and what rounding
    # does to their sums is 1e-7 of the light: a thousandth of what noise does.
    kind: type[np.float32 | np.float64] = np.float64
    whole = 0
    if pixels.dtype.kind == "u":
        kind, whole = np.float32, round(level)
    powers_x: npt.NDArray[np.floating] = u[:, :4].astype(kind)
    for r0, r1, c0, c1 in edges.tolist():
        light: npt.NDArray[np.floating] = part[r0:r1, c0:c1].astype(kind)
        light -= kind(whole)
        lines[r0:r1] = light @ powers_x[c0:c1]
        area[r0:r1] = table[c1] - table[c0]
    lines -= (level - whole + slope_y * scale * y)[:, None] * area[:, :4]
    lines -= slope_x * scale * area[:, 1:]
    summed: Floats = lines.T @ powers(y, 4)
    return summed


def _bands(lit: Bools, begin: Ints, finish: Ints, count: int) -> Ints:
    """Return (n, 4): row, end row, column, end column of areas that hold all ``lit`` cells.

    Each is ``count`` rows high, or less, and keeps between ``begin`` and ``finish`` of its rows.
    """
    rows = np.flatnonzero(lit.any(axis=1))
    if not len(rows):
        return np.zeros((0, 4), dtype=np.intp)
    first_row, end_row = int(rows[0]), int(rows[-1]) + 1
    start = np.arange(first_row, end_row, count)
    columns = np.logical_or.reduceat(lit[:end_row], start, axis=0)
    bands = np.empty((len(start), 4), dtype=np.intp)
    bands[:, 0], bands[:-1, 1], bands[-1, 1] = start, start[1:], end_row
    bands[:, 2] = np.maximum(columns.argmax(axis=1), np.maximum.reduceat(begin[:end_row], start))
    last = columns.shape[1] - columns[:, ::-1].argmax(axis=1)
    bands[:, 3] = np.minimum(last, np.minimum.reduceat(finish[:end_row], start))
    kept: Ints = bands[(bands[:, 2] < bands[:, 3]) & columns.any(axis=1)]
    return kept


def _grown(window: Window, by: float) -> Window:
    return replace(window, half_x=by * window.half_x, half_y=by * window.half_y)


def _reaches(grid: BinnedFrame, cells: Bools, window: Window) -> bool:
    """Tell whether any of ``cells`` lies inside ``window`` or near its edge, if only in part."""
    rows, columns = np.nonzero(cells)
    if not len(rows):
        return False
    x, y = grid.x[columns], grid.y[rows]
    return bool((coverage(_grown(window, 1 + NEAR), x, y, grid.pitch) > 0).any())


def _covers(
    grid: BinnedFrame, window: Window, shape: tuple[int, int], pitch: tuple[float, float]
) -> bool:
    """Tell whether the cells, and what they leave of the frame of ``shape``, cover ``window``."""
    r0, r1, c0, c1 = window.box(shape, pitch)
    top, bottom, left, right = grid.box
    below, beside = (n if n < grid.block else 0 for n in (shape[0] - bottom, shape[1] - right))
    return r0 >= top and r1 <= bottom + below and c0 >= left and c1 <= right + beside


def _corners(grid: BinnedFrame, bands: Ints) -> tuple[Floats, Floats]:
    """Return x (2, 1, n) and y (2, n) of the corners of ``bands``, mm."""
    x = grid.x[0] + (bands[:, 2:].T[:, None] - 0.5) * grid.pitch[0]
    y = grid.y[0] + (bands[:, :2].T - 0.5) * grid.pitch[1]
    return x, y


def _mean_powers(middle: Floats, pixel: float, block: int) -> Floats:
    """Return 1, x, x², x³, each averaged over the pixels of the cells about ``middle``, (n, 4)."""
    own = (block**2 - 1) / 12 * pixel**2
    made = powers(middle, 4)
    made[:, 3] += 3 * own * middle
    made[:, 2] += own
    return made


def _left_over(grid: BinnedFrame, shape: tuple[int, int]) -> tuple[Box, ...]:
    """Return the pixels right of and below the cells, where these end less than one from the edge.

    Cells elsewhere end where there is nothing left to see.
    """
    r0, r1, c0, c1 = grid.box
    below = shape[0] - r1 if shape[0] - r1 < grid.block else 0
    right = shape[1] - c1 if shape[1] - c1 < grid.block else 0
    boxes = ((r0, r1 + below, c1, c1 + right), (r1, r1 + below, c0, c1))
    return tuple(b for b in boxes if b[0] < b[1] and b[2] < b[3])


def _about(sums: Floats, window: Window, other: Window) -> Floats:
    """Return sums of powers counted from ``window`` as sums of powers counted from ``other``."""
    scale = window.scale / other.scale
    x, y = (window.x - other.x) / other.scale, (window.y - other.y) / other.scale
    return _shift(x, scale) @ sums @ _shift(y, scale).T


def _shift(by: float, scale: float) -> Floats:
    """Return the (4, 4) matrix that turns powers of u into powers of by + scale u."""
    made = np.zeros((4, 4))
    made[0, 0] = 1.0
    for k in range(1, 4):
        made[k] = by * made[k - 1]
        made[k, 1:] += scale * made[k - 1, :-1]
    return made
