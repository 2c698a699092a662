"""From pixels back to the pupil, and from coarse fields to fine ones."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
from numpy.polynomial.chebyshev import chebvander
from scipy.ndimage import map_coordinates, spline_filter

__all__ = ["Inverse", "jacobian", "nodes", "refinement", "sample"]

Floats = npt.NDArray[Any]

_DEGREE = 6
_FIT = 15
"""Points along a side of the grid that the polynomial is fitted to."""


class Inverse:
    """The inverse of a smooth map that is known on a square grid.

    ``column``, ``row`` (n, n) are where the grid's points fall, pixels. A polynomial fit gives the
    first guess; one Newton step on the spline through the grid takes the rest.
    """

    def __init__(self, column: Floats, row: Floats) -> None:
        size = len(column)
        self._column, self._row = spline_filter(column), spline_filter(row)
        index = np.linspace(0, size - 1, _FIT).astype(int)
        pick = np.ix_(index, index)
        c, r = column[pick].ravel(), row[pick].ravel()
        self._middle = np.array([(c.max() + c.min()) / 2, (r.max() + r.min()) / 2])
        self._half = np.array([np.ptp(c) / 2, np.ptp(r) / 2])
        i, j = np.divmod(np.arange((_DEGREE + 1) ** 2), _DEGREE + 1)
        self._terms = np.flatnonzero(i + j <= _DEGREE)
        ju, jv = np.meshgrid(index.astype(float), index.astype(float))
        design = self._products(c, r)
        goal = np.column_stack([jv.ravel(), ju.ravel()])
        self._coefficients = np.linalg.solve(design.T @ design, design.T @ goal)
        straight = np.column_stack([np.ones_like(c), r, c])
        self._slope = np.linalg.lstsq(straight, goal, rcond=None)[0][1:].T

    def __call__(self, columns: Floats, rows: Floats) -> Floats:
        """Return (2, m, n) grid coordinates (v, u) of the pixel points ``rows`` × ``columns``."""
        down, across = self._bases(columns, rows)
        size = _DEGREE + 1
        full = np.zeros((size * size, 2))
        full[self._terms] = self._coefficients
        guess = np.einsum(
            "mi,ijk,nj->kmn", down, full.reshape(size, size, 2), across, optimize=True
        )
        missed = np.stack([
            sample(self._row, guess) - rows[:, None],
            sample(self._column, guess) - columns[None, :],
        ])  # fmt: skip
        return np.asarray(guess - np.einsum("ij,jmn->imn", self._slope, missed))

    def _bases(self, columns: Floats, rows: Floats) -> tuple[Floats, Floats]:
        scaled_c = (columns - self._middle[0]) / self._half[0]
        scaled_r = (rows - self._middle[1]) / self._half[1]
        limit = 1.3
        return (
            chebvander(np.clip(scaled_r, -limit, limit), _DEGREE),
            chebvander(np.clip(scaled_c, -limit, limit), _DEGREE),
        )

    def _products(self, columns: Floats, rows: Floats) -> Floats:
        down, across = self._bases(columns, rows)
        products = (down[:, :, None] * across[:, None, :]).reshape(len(columns), -1)
        return np.asarray(products[:, self._terms])


def sample(coefficients: Floats, at: Floats) -> Floats:
    """Return the cubic spline with ``coefficients`` at grid coordinates ``at`` (2, ...)."""
    return np.asarray(map_coordinates(coefficients, at, prefilter=False, mode="nearest"))


def jacobian(column: Floats, row: Floats, step: float) -> Floats:
    """Return the signed area, pixel² per mm², of the map on a grid of spacing ``step`` mm."""
    cv, cu = _slopes(column, step)
    rv, ru = _slopes(row, step)
    return np.asarray(cu * rv - cv * ru)


def _slopes(field: Floats, step: float) -> tuple[Floats, Floats]:
    """Derivatives along rows and columns, fourth order inside, second at the border."""
    found = []
    for axis in (0, 1):
        f = np.moveaxis(field, axis, 0)
        slope = np.gradient(f, step, axis=0, edge_order=2)
        slope[2:-2] = (8 * (f[3:-1] - f[1:-3]) - (f[4:] - f[:-4])) / (12 * step)
        found.append(np.moveaxis(slope, 0, axis))
    return found[0], found[1]


def nodes(first: int, last: int, most: int) -> Floats:
    """Return equally spaced nodes from pixel ``first`` to pixel ``last`` − 1."""
    return np.linspace(first, last - 1, min(last - first, most))


def refinement(coarse: Floats, first: int, last: int) -> npt.NDArray[np.float32]:
    """Return the matrix (pixels, nodes) of four-point cubic interpolation between ``coarse``."""
    count = len(coarse)
    at = (np.arange(first, last) - coarse[0]) / (coarse[1] - coarse[0])
    start = np.clip(np.floor(at).astype(int) - 1, 0, count - 4)
    t = at - start
    weights = np.stack([
        -(t - 1) * (t - 2) * (t - 3) / 6,
        t * (t - 2) * (t - 3) / 2,
        -t * (t - 1) * (t - 3) / 2,
        t * (t - 1) * (t - 2) / 6,
    ])  # fmt: skip
    matrix = np.zeros((len(at), count), np.float32)
    for k in range(4):
        matrix[np.arange(len(at)), start + k] = weights[k]
    return matrix
