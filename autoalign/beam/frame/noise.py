"""Noise of a pixel in the dark and in the light, measured in the frame itself."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import Background
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.middle import median
from autoalign.beam.frame.window import Window
from autoalign.core.frames import Pixels

__all__ = ["dark_noise", "estimate_gain", "quantisation_offset"]

Floats = npt.NDArray[np.float64]

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
