"""Sums of pixels to moments, and how each moment answers to each pixel."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.window import Window

__all__ = ["MONOMIALS", "central_moments", "influence", "monomial_products", "window_for"]

Floats = npt.NDArray[np.float64]

MONOMIALS = ((0, 0), (1, 0), (0, 1), (2, 0), (0, 2), (1, 1), (3, 0), (2, 1), (1, 2), (0, 3))
"""Powers of x and y in the order: power, then ``profile.MOMENTS``."""

_P, _Q = np.transpose(MONOMIALS)

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
