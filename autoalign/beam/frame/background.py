"""The background: level and, where it is plain to see, slope, with their covariance.

First from patches along the frame's border (a beam may touch some of them: the lowest counts), then
by least squares over the unlit cells around the beam (the ring), as soon as it is known where the
beam is. ISO/TR 11146-3 (from memory) calls the latter the statistical way.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.binned import BinnedFrame, median
from autoalign.beam.frame.window import Window, powers
from autoalign.core.frames import Pixels

__all__ = [
    "Background",
    "border_level",
    "border_plane",
    "dark_noise",
    "estimate_gain",
    "quantisation_offset",
    "ring_background",
]

Floats = npt.NDArray[np.float64]

# Noise of a pixel in the dark and in the light, measured in the frame itself.

_BLOCKS = 160
_PIXELS = 2560
"""Blocks, and pixels in them, that tell the noise of the dark: to 2 %."""

_ENOUGH = 64
"""Pixels of a block that are examined, about: whole rows of it, from its top."""


def dark_noise(pixels: Pixels, grid: BinnedFrame, background: Background) -> float:
    """Return the standard deviation of a pixel in the ring, in pixel values.

    Scatter inside blocks, so that an uneven background does not count as noise.
    """
    floor = 1 / math.sqrt(12) if pixels.dtype.kind == "u" else 0.0
    assert background.ring is not None
    if grid.block == 1:
        residual = (grid.mean - background.on(grid))[background.ring]
        return max(float(residual.std()), floor)
    ring = np.flatnonzero(background.ring)
    count = min(max(_BLOCKS, _PIXELS // grid.pixels_per_cell), len(ring))
    pick = ring[np.linspace(0, len(ring) - 1, count).astype(int)]
    rows, columns = np.divmod(pick, grid.mean.shape[1])
    high = min(grid.block, -(-_ENOUGH // grid.block))
    blocks = _blocks(pixels, grid)[rows, :high, columns, :].reshape(count, -1)
    scatter = _variances(blocks)
    # In noise alone hardly one of 20,000 blocks scatters more, also of 2 × 2 pixels.
    most = 4 + 18 / (blocks.shape[1] - 1)
    quiet = scatter <= most * median(scatter) + 1e-300
    return max(math.sqrt(float(scatter[quiet].mean())), floor)


def estimate_gain(
    pixels: Pixels, window: Window, pitch: tuple[float, float], level: float, sigma: float
) -> float:
    """Return the noise variance that each pixel value of signal adds, in pixel values.

    The photon transfer of one frame: scatter of fourth differences along rows through the beam,
    which a smooth beam leaves nearly untouched, against the signal there. Beams narrower than
    about twenty pixels leave some of their own curvature in it, so that the estimate is too large.
    """
    half = Window(window.x, window.y, window.half_x / 2, window.half_y / 2, window.azimuth)
    r0, r1, c0, c1 = half.box((pixels.shape[0], pixels.shape[1]), pitch)
    if c1 - c0 < 5:
        return 0.0
    lines = pixels[r0 : r1 : max(1, (r1 - r0) // 20), c0:c1].astype(np.float64)
    a, b, c, d, e = (lines[:, k : c1 - c0 - 4 + k] for k in range(5))
    near, far = b + d, a + e
    signal = (near + far + c) / 5 - level
    bright = np.flatnonzero(signal > 0.3 * signal.max())
    if len(bright) < 10:
        return 0.0
    signal, near, far, middle = (v.ravel()[bright] for v in (signal, near, far, c))
    squares = np.square(6 * middle - 4 * near + far) / 70
    squares = np.minimum(squares, 9 * median(squares) / 0.4549)
    excess = float(squares.mean()) - sigma**2
    return max(excess / float(signal.mean()), 0.0)


def quantisation_offset(sigma: float) -> float:
    """Return the standard uncertainty of a level that noise ``sigma`` dithers over whole numbers.

    1/√12 without noise; the mean of rounded values is off by at most exp(−2π²σ²)/π (first
    harmonic of the rounding error, any text on dither).
    """
    return math.exp(-2 * math.pi**2 * max(sigma**2 - 1 / 12, 0.0)) / math.sqrt(12)


def _variances(blocks: Pixels) -> Floats:
    """Return the variance of each row of ``blocks``."""
    values = blocks.astype(np.float64)
    count = values.shape[1]
    values -= (np.add.reduce(values, axis=1) / count)[:, None]
    scatter: Floats = np.einsum("ij,ij->i", values, values) / (count - 1)
    return scatter


def _blocks(pixels: Pixels, grid: BinnedFrame) -> Pixels:
    r0, r1, c0, c1 = grid.box
    b = grid.block
    # One of the two axes cannot be split without a copy for a sliced frame; striding can.
    part = pixels[r0:r1, c0:c1]
    s0, s1 = part.strides
    shape = ((r1 - r0) // b, b, (c1 - c0) // b, b)
    return np.lib.stride_tricks.as_strided(part, shape, (s0 * b, s0, s1 * b, s1), writeable=False)


Bools = npt.NDArray[np.bool_]

RING = 5.0
"""Inner edge of the ring in standard deviations of the beam: 1.25 d_σ, where a Gaussian has
fallen to 4e-6 of its peak."""

_P, _Q = np.array([0, 1, 0]), np.array([0, 0, 1])
"""Powers of x and y that make a plane."""

LEAST = 0.02
"""Part of the cells that the ring keeps at least, however large the beam."""


@dataclass(frozen=True, slots=True, eq=False)
class Background:
    """B(x, y) = level + slope_x (x − x0) + slope_y (y − y0).

    ``covariance`` (3, 3) of level and slopes, from the noise of the ring alone; ``systematic``
    standard uncertainty of the level besides (quantisation); ``ring`` the cells used; ``hidden``
    (3, 3) covariance of level and slopes from what the ring shows but B leaves out, see
    :func:`ring_background`.
    """

    level: float
    slope: tuple[float, float] = (0.0, 0.0)
    at: tuple[float, float] = (0.0, 0.0)
    covariance: Floats | None = None
    systematic: float = 0.0
    ring: Bools | None = None
    tilted: bool = False
    hidden: Floats | None = None

    def around(self, x: float, y: float) -> tuple[float, float, float]:
        """Return level and slopes about (x, y)."""
        shift = self.slope[0] * (x - self.at[0]) + self.slope[1] * (y - self.at[1])
        return self.level + shift, *self.slope

    def on(self, grid: BinnedFrame) -> Floats:
        """Return the background of each cell, broadcastable to the grid."""
        level, sx, sy = self.level, *self.slope
        if sx == 0 and sy == 0:
            return np.full((1, 1), level)
        flat: Floats = level + sx * (grid.x - self.at[0]) + sy * (grid.y - self.at[1])[:, None]
        return flat


def border_level(grid: BinnedFrame) -> float:
    """Return the level of the darkest of eight patches along the border, in pixel values.

    Patches that the scatter of the darkest cannot tell from it are averaged with it.
    """
    rows, columns = grid.mean.shape
    high, wide = max(1, rows // 12), max(1, columns // 12)
    tops = (slice(0, high), slice((rows - high) // 2, (rows + high + 1) // 2), slice(-high, None))
    lefts = (
        slice(0, wide),
        slice((columns - wide) // 2, (columns + wide + 1) // 2),
        slice(-wide, None),
    )
    patches = [(r, c) for r in range(3) for c in range(3) if (r, c) != (1, 1)]
    cells = [grid.mean[tops[r], lefts[c]].ravel() for r, c in patches]
    levels = [_middle_mean(c) for c in cells]
    lowest = min(levels)
    darkest = cells[levels.index(lowest)]
    allowed = lowest + 6 * float(darkest.std()) / math.sqrt(len(darkest))
    dark = [level for level in levels if level <= allowed]
    return sum(dark) / len(dark)


def border_plane(grid: BinnedFrame, sigma: float) -> Background:
    """Return a plane through the cells along the border, light that lies above it left out."""
    rows, columns = grid.mean.shape
    border = np.ones((rows, columns), dtype=bool)
    high, wide = max(1, rows // 12), max(1, columns // 12)
    border[high : rows - high, wide : columns - wide] = False
    row, column = np.nonzero(border)
    values = grid.mean[row, column]
    at = (float(grid.x.mean()), float(grid.y.mean()))
    design = np.column_stack([np.ones(len(values)), grid.x[column] - at[0], grid.y[row] - at[1]])
    keep = np.ones(len(values), dtype=bool)
    usual = 3.5 * max(sigma / grid.block, _cell_noise(grid))
    for _ in range(6):
        theta = np.linalg.lstsq(design[keep], values[keep], rcond=None)[0]
        away = values - design @ theta
        keep = away <= max(usual, float(np.quantile(away, 0.25)))
        if np.count_nonzero(keep) < 8:
            break
    return Background(float(theta[0]), (float(theta[1]), float(theta[2])), at)


def ring_background(
    grid: BinnedFrame, moments: Floats, sigma: float, tilt: bool | None = None
) -> Background:
    """Fit the background to the cells beyond :data:`RING` standard deviations of the beam.

    Slopes that do not stand out are not subtracted, but count as hidden. So does what a plane takes
    for a slope where scattered light falls off all around a beam that is not in the frame's middle:
    in frames with 0.5 % of scatter that shifted centroids by up to a sixtieth of a pixel, five
    times what noise does.

    Parameters
    ----------
    grid
        Block means around the beam.
    moments
        (9,) of the beam, mm.
    sigma
        Standard deviation of one pixel's noise, for the uncertainty and for telling outliers.
    tilt
        Fit slopes: always, never, or (None) where they exceed five standard uncertainties.
    """
    dx, dy = grid.x - moments[0], grid.y - moments[1]
    ring = _ring(grid, moments, dx, dy)
    middle, allowed = _usual(grid.mean[ring], sigma / grid.block)
    light = grid.mean - middle
    # Cells with light of their own (ghosts, hot pixels) do not count.
    ring &= np.abs(light) <= allowed
    at = (float(moments[0]), float(moments[1]))
    variance = sigma**2 / grid.pixels_per_cell
    scale = max(float(grid.x[-1] - grid.x[0]), float(grid.y[-1] - grid.y[0]), grid.pitch[0])
    cells = ring.astype(np.float64)
    light *= cells
    u, v = powers(dx / scale, 5), powers(dy / scale, 5)
    count = v.T @ cells @ u
    seen = v[:, :3].T @ light @ u[:, :3]
    total = float(count[0, 0])
    flat = np.zeros((3, 3))
    flat[0, 0] = variance / total
    level = middle + float(seen[0, 0]) / total
    plain = Background(level, (0.0, 0.0), at, flat, 0.0, ring)
    if tilt is False or total < 12:
        return plain
    normal = count[_Q[:, None] + _Q, _P[:, None] + _P]
    # The determinant over the product of the diagonal: 1 for even rings, 0 for cells in one line.
    (n, a, b), (_, aa, ab), (_, _, bb) = normal.tolist()
    determinant = n * (aa * bb - ab * ab) - a * (a * bb - ab * b) + b * (a * ab - aa * b)
    if determinant < 1e-4 * n * aa * bb:
        return plain
    inverse = np.linalg.inv(normal)
    theta = inverse @ seen[_Q, _P]
    unit = np.array([1.0, 1 / scale, 1 / scale])
    covariance = inverse * (variance * unit * unit[:, None])
    slope = theta[1:] / scale
    u_slope = np.sqrt(covariance[(1, 2), (1, 2)])
    least = 5 * u_slope + 1e-12 * abs(level) / scale
    plain_to_see = bool((np.abs(slope) > least).any())
    surrounded = covariance[0, 0] <= 4 * flat[0, 0] + 1e-300
    if tilt is None and not (plain_to_see and surrounded):
        return replace(plain, hidden=_left_out(normal[0] / normal[0, 0], slope, u_slope, scale))
    curved = _curvature(count, seen, inverse, theta, math.sqrt(variance)) * unit
    hidden = np.outer(curved, curved)
    slope_x, slope_y = slope.tolist()
    return Background(
        middle + float(theta[0]), (slope_x, slope_y), at, covariance, 0.0, ring, True, hidden
    )


def _left_out(middle: Floats, slope: Floats, u: Floats, scale: float) -> Floats | None:
    """Return the covariance from slopes beyond two standard uncertainties that are left out.

    ``middle`` (3,) of the ring in units of ``scale``: a slope also lifts the level by that much.
    """
    large = np.abs(slope) > 2 * u
    if not large.any():
        return None
    beyond = np.where(large, np.maximum(slope**2 - u**2, 0.0), 0.0)
    total = np.zeros((3, 3))
    for axis in (1, 2):
        change = np.zeros(3)
        change[0], change[axis] = -scale * middle[axis], 1.0
        total += beyond[axis - 1] * np.outer(change, change)
    return total


def _curvature(count: Floats, seen: Floats, inverse: Floats, theta: Floats, sigma: float) -> Floats:
    """Return the part of the fitted slopes that is due to light that bends with r², (3,), level 0.

    What bends evenly is light around the beam, and not taken off its level. Zero within three
    standard uncertainties. ``count`` (5, 5) and ``seen`` (3, 3) are Σ v^q u^p over the ring and Σ
    light v^q u^p; ``theta`` the plane through the light, ``inverse`` of its normal matrix.
    """
    products = count[_Q, _P + 2] + count[_Q + 2, _P]
    plane: Floats = inverse @ products
    size = float(count[0, 4] + 2 * count[2, 2] + count[4, 0] - products @ plane)
    size = max(size, 1e-300)
    bend = float(seen[0, 2] + seen[2, 0] - products @ theta) / size
    plane[0] = 0.0
    leak: Floats = bend * plane
    return leak if abs(bend) > 3 * sigma / math.sqrt(size) else np.zeros(3)


def _ring(grid: BinnedFrame, moments: Floats, dx: Floats, dy: Floats) -> Bools:
    """Return the cells outside the beam's ellipse, at least :data:`LEAST` of all."""
    xx, yy, xy = (float(v) for v in moments[2:5])
    determinant = xx * yy - xy * xy
    if min(xx, yy) <= 0 or determinant <= 1e-9 * xx * yy:
        # Light that has no proper widths: at least a cell's, along x and y.
        xx, yy, xy = max(xx, grid.pitch[0] ** 2), max(yy, grid.pitch[1] ** 2), 0.0
        determinant = xx * yy
    a, b, c = yy / determinant, -2 * xy / determinant, xx / determinant
    distance = (a * dx * dx)[None, :] + (c * dy * dy)[:, None]
    if xy:
        distance += (b * dy)[:, None] * dx
    ring: Bools = distance > RING**2
    least = max(8, math.ceil(LEAST * ring.size))
    if np.count_nonzero(ring) < least:
        rank = max(ring.size - least, 0)
        ring = distance >= np.partition(distance, rank, axis=None)[rank]
    return ring


def _cell_noise(grid: BinnedFrame) -> float:
    """Return the scatter of cells against their neighbours, whatever their smooth light."""
    m = grid.mean
    if m.shape[1] < 3:
        return 0.0
    bend = m[:, 2:] - 2 * m[:, 1:-1] + m[:, :-2]
    return 1.4826 * median(np.abs(bend)) / math.sqrt(6)


def _middle_mean(values: Floats) -> float:
    """Return the mean without the outermost tenths; unlike a median it resolves whole numbers."""
    cut = len(values) // 10
    ranked = np.sort(values)[cut : len(values) - cut]
    return float(np.add.reduce(ranked)) / len(ranked)


def _usual(values: Floats, sigma: float) -> tuple[float, float]:
    """Return the middle of ``values``, and how far from it those without light of their own lie."""
    sample = values[:: max(1, len(values) // 500)]
    half = len(sample) // 2
    middle = float(np.partition(sample, half)[half])
    scatter = max(sigma, 1.4826 * float(np.partition(np.abs(sample - middle), half)[half]))
    return middle, 5 * scatter
