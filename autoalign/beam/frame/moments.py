"""Sums of pixels to moments, and how each moment answers to each pixel."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import Background
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.window import Window, powers

__all__ = [
    "MONOMIALS",
    "central_moments",
    "influence",
    "moment_covariance",
    "monomial_products",
    "pitch_covariance",
    "roll_covariance",
    "window_for",
]

Floats = npt.NDArray[np.float64]

MONOMIALS = ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1), (3, 0), (2, 1), (1, 2), (0, 3))
"""Powers of x and y in the order: power, then ``profile.MOMENTS``."""

_P, _Q = np.transpose(MONOMIALS)

# Covariance of the moments: pixel noise, background and quantisation, combined as in JCGM 100.

_DEGREES = np.array([[1, 0, 2, 0, 1, 3, 2, 1, 0], [0, 1, 0, 2, 1, 0, 1, 2, 3]])
"""Powers of x and of y in each moment."""


def moment_covariance(
    grid: BinnedFrame,
    window: Window,
    moments: Floats,
    power: float,
    background: Background,
    sigma: float,
    gain: float,
    rounding: float = 0.0,
) -> Floats:
    """Return the (10, 10) covariance of power (pixel-value sum) and the nine moments (mm …).

    Every pixel answers through its influence on each moment, with the variance
    sigma² + gain · signal. The background's parameters act on all pixels of the window at once;
    their correlation with the pixels that are in window and ring both is kept. ``rounding`` is the
    standard uncertainty of a faint pixel's value where no noise dithers it: it counts, all at once,
    for the light between nothing and one and a half pixel values, and as much area again where
    light was rounded off to nothing.
    """
    centre = (float(moments[0]), float(moments[1]))
    scale = window.scale
    rows, columns = grid.touched(window)
    part = grid.part(rows, columns)
    u = powers((part.x - centre[0]) / scale, 7)
    v = powers((part.y - centre[1]) / scale, 7)

    def over(weights: Floats, order: int) -> Floats:
        """Return Σ weights u^p v^q over pixels, (order + 1, order + 1)."""
        summed: Floats = u[:, : order + 1].T @ (v[:, : order + 1].T @ weights).T
        return summed * part.pixels_per_cell

    weights = part.coverage(window)
    signal = part.mean - background.on(part)
    bright = np.maximum(signal, 0.0)
    bright *= gain
    bright += sigma**2
    bright *= weights
    bright *= weights
    a = influence(moments, power) * _unscaled(scale)
    noise = monomial_products(over(bright, 6))
    covariance = a @ noise @ a.T
    count = 3 if background.tilted else 1
    shape = _by_parameters(over(weights, 4), scale)
    every = -a @ shape
    answer = every[:, :count]
    if background.hidden is not None:
        covariance += every @ background.hidden @ every.T
    if background.covariance is not None and background.ring is not None:
        inverse = background.covariance[:count, :count]
        covariance += answer @ inverse @ answer.T
        shared = sigma**2 * weights * background.ring[rows, columns]
        both = _by_parameters(over(shared, 4), scale)[:, :count]
        per_value = inverse / max(sigma**2, 1e-300)
        cross = a @ both @ per_value @ answer.T
        covariance += cross + cross.T
    level = answer[:, :1] * background.systematic
    covariance += level @ level.T
    if rounding > 0.01:
        faint = weights * ((signal > 0.1) & (signal < 1.5))
        shift = 2 * rounding * (a @ over(faint, 3)[_P, _Q])
        covariance += np.outer(shift, shift)
    return covariance


def pitch_covariance(moments: Floats, relative: float, square: float = 0.0) -> Floats:
    """Return the (9, 9) covariance that the uncertainty of the pixel pitch adds.

    Parameters
    ----------
    moments
        (9,), along columns and rows.
    relative
        Relative standard uncertainty of the pitch that both have in common.
    square
        Relative standard uncertainty of the pitch along columns against that along rows; each
        takes 1/√2 of it, independently.
    """
    if relative == 0 and square == 0:
        return np.zeros((9, 9))
    own = _DEGREES * moments * square / np.sqrt(2)
    common = _DEGREES.sum(axis=0) * moments * relative
    changes = np.vstack([common, own])
    return np.asarray(changes.T @ changes)


def roll_covariance(moments: Floats, roll: float) -> Floats:
    """Return the (9, 9) covariance that a camera turned by an unknown ``roll``, rad, adds."""
    x, y, xx, yy, xy, xxx, xxy, xyy, yyy = moments
    turned = np.array(
        [-y, x, -2 * xy, 2 * xy, xx - yy, -3 * xxy, xxx - 2 * xyy, 2 * xxy - yyy, 3 * xyy]
    )
    return np.outer(turned, turned) * roll**2


def _unscaled(scale: float) -> Floats:
    """Return the factors that turn influence per mm^n into influence per scaled monomial."""
    factors: Floats = scale ** (_P + _Q)
    return factors[None, :]


def _by_parameters(sums: Floats, scale: float) -> Floats:
    """Return (10, 3) sums of monomials times the background's basis 1, x, y (mm)."""
    return np.stack([sums[_P, _Q], scale * sums[_P + 1, _Q], scale * sums[_P, _Q + 1]], axis=1)


ROUND = 0.87
"""Ellipticity above which a beam may be treated as circular (ISO 11146-1)."""

WINDOW_FACTOR = 3.0
"""Side of the window over the beam width (ISO 11146-1)."""


def central_moments(sums: Floats, window: Window) -> Floats:
    """Return the (9,) moments, mm to mm³, from the (4, 4) sums of :func:`.window.window_sums`.

    The centroid is counted from the centre of the first pixel. Without power all are zero.
    """
    if sums[0, 0] == 0:
        return np.zeros(9)
    m = (sums / sums[0, 0]).tolist()
    x, y = m[1][0], m[0][1]
    xx, yy, xy = m[2][0] - x * x, m[0][2] - y * y, m[1][1] - x * y
    third = (
        m[3][0] - 3 * x * m[2][0] + 2 * x**3,
        m[2][1] - 2 * x * m[1][1] - y * m[2][0] + 2 * x * x * y,
        m[1][2] - 2 * y * m[1][1] - x * m[0][2] + 2 * x * y * y,
        m[0][3] - 3 * y * m[0][2] + 2 * y**3,
    )
    s = window.scale
    return np.array(
        [window.x + s * x, window.y + s * y, s**2 * xx, s**2 * yy, s**2 * xy]
        + [s**3 * t for t in third]
    )


def influence(moments: Floats, power: float) -> Floats:
    """Return the (10, 10) matrix A: moment change per pixel = A · monomials at the pixel.

    Rows: power, then the nine moments; columns: :data:`MONOMIALS` of the position from the
    centroid. To first order a change δ of the pixel at (x, y) changes row k by δ · (A m(x, y))_k.
    """
    xx, yy, xy, xxx, xxy, xyy, yyy = moments[2:]
    a = np.zeros((10, 10))
    a[0, 0] = power
    for row in range(1, 10):
        a[row, row] = 1.0
    a[3, 0], a[4, 0], a[5, 0] = -xx, -yy, -xy
    a[6, :3] = -xxx, -3 * xx, 0.0
    a[7, :3] = -xxy, -2 * xy, -xx
    a[8, :3] = -xyy, -yy, -2 * xy
    a[9, :3] = -yyy, 0.0, -3 * yy
    return a / power


def monomial_products(sums: Floats) -> Floats:
    """Return the (10, 10) matrix of Σ w m_i m_j from the (7, 7) sums Σ w x^p y^q."""
    products: Floats = sums[_P[:, None] + _P, _Q[:, None] + _Q]
    return products


def window_for(
    moments: Floats,
    least: tuple[float, float],
    like: Window | None = None,
    factor: float = WINDOW_FACTOR,
) -> Window:
    """Return the window of ISO 11146-1 for ``moments``: 3 × the widths about the centroid.

    Along the principal axes; along x and y for beams that may be treated as circular.

    Parameters
    ----------
    moments
        (9,), mm.
    least
        Smallest half side along x and y, mm.
    like
        A window that decides whether the axes are followed, and which of them is named first, so
        that an iteration does not jump to and fro.
    factor
        Sides of the window in beam widths, if not the 3 of the standard.
    """
    xx, yy, xy = moments[2:5].tolist()
    spread = math.hypot(xx - yy, 2 * xy)
    large, small = max(xx + yy + spread, 0.0) / 2, max(xx + yy - spread, 0.0) / 2
    half = 2 * factor
    x, y = float(moments[0]), float(moments[1])
    circular = small > ROUND**2 * large if like is None else like.azimuth == 0.0
    if circular or spread == 0:
        hx, hy, azimuth = half * math.sqrt(max(xx, 0)), half * math.sqrt(max(yy, 0)), 0.0
    else:
        azimuth = 0.5 * math.atan2(2 * xy, xx - yy)
        hx, hy = half * math.sqrt(large), half * math.sqrt(small)
        turns = round((azimuth - (like.azimuth if like else 0.0)) / (math.pi / 2))
        azimuth -= turns * math.pi / 2
        if turns % 2:
            hx, hy = hy, hx
    return Window(x, y, max(hx, least[0]), max(hy, least[1]), azimuth)
