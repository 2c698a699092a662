"""Symmetric 2 × 2 matrices and their derivatives, as vectors (xx, yy, xy)."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

__all__ = ["matrix", "moment_map", "root", "stretch"]

Floats = npt.NDArray[np.float64]


def matrix(vector: Floats) -> Floats:
    """Return the (2, 2) matrix of (xx, yy, xy)."""
    xx, yy, xy = (float(v) for v in vector)
    return np.array([[xx, xy], [xy, yy]])


def moment_map(r: Floats) -> Floats:
    """Return the (9, 9) matrix that gives moments along axes that ``r`` (2, 2) maps points to.

    In the order of :data:`autoalign.beam.profile.MOMENTS`; each order mixes only with itself.
    """
    turn = np.zeros((9, 9))
    turn[:2, :2] = r
    second = [(0, 0), (1, 1), (0, 1)]
    third = [(0, 0, 0), (0, 0, 1), (0, 1, 1), (1, 1, 1)]
    for row, (i, j) in enumerate(second):
        for a in range(2):
            for b in range(2):
                turn[2 + row, 2 + second.index((min(a, b), max(a, b)))] += r[i, a] * r[j, b]
    for row, (i, j, k) in enumerate(third):
        for a in range(2):
            for b in range(2):
                for c in range(2):
                    turn[5 + row, 5 + a + b + c] += r[i, a] * r[j, b] * r[k, c]
    return turn


def root(second: Floats) -> tuple[Floats, Floats]:
    """Return the square root of a positive matrix, (3,), and its derivative by the matrix, (3, 3).

    √C = (C + √det C)/√(tr C + 2√det C); its derivative solves dS S + S dS = dC.
    """
    xx, yy, xy = (float(v) for v in second)
    s = math.sqrt(max(xx * yy - xy * xy, 0.0))
    t = math.sqrt(xx + yy + 2 * s)
    vector = np.array([xx + s, yy + s, xy]) / t
    return vector, _inverse(_lyapunov(matrix(vector)))


def stretch(near: Floats, far: Floats) -> tuple[Floats, Floats, Floats]:
    """Return M with M C_near M = C_far, (3,), and its derivatives by C_near and C_far, (3, 3) each.

    M = N⁻¹ √(N C_far N) N⁻¹ with N = √C_near is the only positive symmetric one.
    """
    n = matrix(root(near)[0])
    inverse = _inverse(n)
    middle = n @ matrix(far) @ n
    inner = matrix(root(_vector(middle))[0])
    m = inverse @ inner @ inverse
    m = (m + m.T) / 2
    solve = _inverse(_lyapunov(matrix(near) @ m))
    return _vector(m), -solve @ _congruence(m), solve


def _inverse(m: Floats) -> Floats:
    return np.asarray(np.linalg.inv(m), dtype=np.float64)


def _vector(m: Floats) -> Floats:
    return np.array([m[0, 0], m[1, 1], (m[0, 1] + m[1, 0]) / 2])


def _lyapunov(a: Floats) -> Floats:
    """Return the (3, 3) matrix of X ↦ X A + Aᵀ X for symmetric X."""
    (p, q), (r, s) = a.tolist()
    return np.array([[2 * p, 0.0, 2 * r], [0.0, 2 * s, 2 * q], [q, r, p + s]])


def _congruence(m: Floats) -> Floats:
    """Return the (3, 3) matrix of X ↦ M X M for symmetric X and M."""
    a, b, c = m[0, 0], m[1, 1], m[0, 1]
    return np.array(
        [[a * a, c * c, 2 * a * c], [c * c, b * b, 2 * b * c], [a * c, b * c, a * b + c * c]]
    )
