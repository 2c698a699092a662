"""Covariance of the moments: pixel noise, background and quantisation, combined as in JCGM 100."""

from __future__ import annotations

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.background import Background
from autoalign.beam.frame.binned import BinnedFrame
from autoalign.beam.frame.moments import MONOMIALS, influence, monomial_products
from autoalign.beam.frame.window import Window, powers

__all__ = ["moment_covariance", "pitch_covariance", "roll_covariance"]

Floats = npt.NDArray[np.float64]

_P, _Q = np.transpose(MONOMIALS)
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
