"""Zernike polynomials in Noll's order, and their orthonormal counterparts on any aperture."""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError

__all__ = ["noll", "orthonormal", "zernike", "zernike_matrix"]

Floats = npt.NDArray[np.float64]


def noll(index: int) -> tuple[int, int]:
    """Return radial degree n and signed azimuthal frequency m of Noll's ``index``, from 1.

    R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976): even indices are cosines (m > 0), odd ones sines.
    """
    if index < 1:
        raise UsageError(f"Noll index {index!r}; the first one is 1.")
    n = (math.isqrt(8 * index - 7) - 1) // 2
    place = index - n * (n + 1) // 2
    m = 2 * (place // 2) if n % 2 == 0 else 2 * ((place - 1) // 2) + 1
    return n, m if index % 2 == 0 else -m


def zernike(index: int, x: Floats, y: Floats) -> Floats:
    """Return Noll's polynomial ``index`` at (x, y) in units of the radius; rms 1 over the disk."""
    n, m = noll(index)
    r2 = x * x + y * y
    radial = np.zeros_like(r2)
    for k in range((n - abs(m)) // 2 + 1):
        factor = (-1) ** k * math.factorial(n - k)
        factor /= math.factorial(k)
        factor /= math.factorial((n + abs(m)) // 2 - k) * math.factorial((n - abs(m)) // 2 - k)
        radial += factor * r2 ** ((n - abs(m)) // 2 - k)
    # r^|m| cos(mφ) and r^|m| sin(mφ) without angles.
    wave = (x + 1j * y) ** abs(m)
    if m == 0:
        return np.asarray(math.sqrt(n + 1) * radial)
    return np.asarray(math.sqrt(2 * (n + 1)) * radial * (wave.real if m > 0 else wave.imag))


def zernike_matrix(count: int, x: Floats, y: Floats) -> Floats:
    """Return the first ``count`` polynomials (points, count) at ``x``, ``y`` (points,)."""
    return np.stack([zernike(j, x, y) for j in range(1, count + 1)], axis=-1)


def orthonormal(count: int, x: Floats, y: Floats, weight: Floats) -> Floats:
    """Return ``count`` polynomials (points, count) that are orthonormal over the sampled aperture.

    Gram–Schmidt of Noll's polynomials in their order (by QR) with ``weight`` (points,) as the
    area that each point stands for: the first is 1, and every coefficient is an rms. On a full
    disk they are Noll's own (G. Dai and V. N. Mahajan, Appl. Opt. 47, A27, 2008, from memory).

    Raises
    ------
    UsageError
        Where the aperture has too few points to tell ``count`` polynomials apart.
    """
    share = np.sqrt(weight / np.sum(weight))
    matrix = zernike_matrix(count, x, y)
    r = np.linalg.qr(matrix * share[:, None], mode="r")
    size = np.abs(np.diagonal(r))
    if len(x) < count or size.min() < 1e-10 * size.max():
        raise UsageError(
            f"{count} Zernike terms cannot be separated on this aperture of {len(x)} points; ask "
            "for fewer terms or sample it more finely."
        )
    sign = np.sign(np.diagonal(r))
    return np.asarray(np.linalg.solve((r * sign[:, None]).T, matrix.T).T)
