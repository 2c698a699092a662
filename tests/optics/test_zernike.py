"""Zernike polynomials against their definition, and orthonormality on real apertures."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.core.errors import UsageError
from autoalign.optics.sources import disk_grid
from autoalign.optics.wavefront import Wavefront, noll, orthonormal, zernike, zernike_matrix

X, Y, W = disk_grid(12, 48)


def test_noll_order() -> None:
    """The first 15 (n, m) of R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976), table I, from memory."""
    expected = [
        (0, 0), (1, 1), (1, -1), (2, 0), (2, -2), (2, 2), (3, -1), (3, 1), (3, -3), (3, 3),
        (4, 0), (4, 2), (4, -2), (4, 4), (4, -4),
    ]  # fmt: skip
    assert [noll(j) for j in range(1, 16)] == expected


def test_closed_forms() -> None:
    """Focus, astigmatism, coma, trefoil and spherical as Noll writes them."""
    r2 = X * X + Y * Y
    forms = {
        4: math.sqrt(3) * (2 * r2 - 1),
        5: 2 * math.sqrt(6) * X * Y,
        6: math.sqrt(6) * (X * X - Y * Y),
        7: math.sqrt(8) * (3 * r2 - 2) * Y,
        8: math.sqrt(8) * (3 * r2 - 2) * X,
        9: math.sqrt(8) * (3 * X * X * Y - Y**3),
        10: math.sqrt(8) * (X**3 - 3 * X * Y * Y),
        11: math.sqrt(5) * (6 * r2 * r2 - 6 * r2 + 1),
    }
    for index, form in forms.items():
        assert np.allclose(zernike(index, X, Y), form, atol=1e-13)


def test_orthonormal_over_the_disk() -> None:
    """The first 36 are orthonormal over the unit disk."""
    basis = zernike_matrix(36, X, Y)
    assert np.allclose(basis.T @ (W[:, None] * basis), np.eye(36), atol=1e-12)


def test_on_a_full_disk_the_orthonormal_ones_are_nolls_own() -> None:
    """Gram–Schmidt over the disk changes nothing."""
    assert np.allclose(orthonormal(21, X, Y, W), zernike_matrix(21, X, Y), atol=1e-10)


@pytest.mark.parametrize("shape", ["annulus", "ellipse", "nicked"])
def test_orthonormal_over_any_aperture(shape: str) -> None:
    """Over an annulus, an ellipse and a nicked disk: rms 1 each, and independent."""
    x, y, w = X, Y * (0.6 if shape == "ellipse" else 1.0), W
    keep = np.ones(len(x), bool)
    if shape == "annulus":
        keep = np.hypot(x, y) > 0.5
    elif shape == "nicked":
        keep = ~((x > 0.3) & (np.abs(y) < 0.3))
    x, y, w = x[keep], y[keep], w[keep]
    basis = orthonormal(15, x, y, w)
    share = w / w.sum()
    assert np.allclose(basis.T @ (share[:, None] * basis), np.eye(15), atol=1e-10)
    assert np.allclose(basis[:, 0], 1)


def test_rms_is_the_root_sum_of_squares_of_coefficients() -> None:
    """On a nicked pupil coefficients add in quadrature; piston, tilt and focus come apart."""
    keep = ~((X > 0.3) & (np.abs(Y) < 0.3))
    x, y, w = 10 * X[keep], 10 * Y[keep], W[keep]
    path = 0.3 + 1e-3 * x - 2e-3 * y + 2e-5 * (x * x + y * y) + 1e-6 * (x**3 + x * y * y)
    found = Wavefront(x, y, path, w).analyse(15)
    assert found.rms == pytest.approx(np.linalg.norm(found.coefficients[3:]), rel=1e-9)
    assert found.rms_focused == pytest.approx(np.linalg.norm(found.coefficients[4:]), rel=1e-9)
    plain = Wavefront(x, y, 0.3 + 1e-3 * x - 2e-3 * y + 2e-5 * (x * x + y * y), w).analyse(6)
    assert plain.tilt == pytest.approx((1e-3, -2e-3))
    assert plain.curvature == pytest.approx(4e-5)
    assert plain.piston == pytest.approx(0.3)
    assert plain.rms_focused < 1e-12


# rms of unit Seidel terms over the unit disk, plain and balanced: V. N. Mahajan, J. Opt. Soc. Am.
# 72, 1258 (1982), table of standard deviations, from memory and worked out again.
@pytest.mark.parametrize(
    ("term", "balanced", "rms"),
    [
        ("focus", False, 1 / (2 * math.sqrt(3))),
        ("astigmatism", False, 1 / 4),
        ("astigmatism", True, 1 / (2 * math.sqrt(6))),
        ("coma", False, 1 / (2 * math.sqrt(2))),
        ("coma", True, 1 / (6 * math.sqrt(2))),
        ("spherical", False, 2 / (3 * math.sqrt(5))),
        ("spherical", True, 1 / (6 * math.sqrt(5))),
    ],
)
def test_rms_of_unit_seidel_terms(term: str, balanced: bool, rms: float) -> None:
    """Without and with the tilt or focus that balances each term best."""
    r2 = X * X + Y * Y
    path = {"focus": r2, "astigmatism": X * X, "coma": X * r2, "spherical": r2 * r2}[term]
    found = Wavefront(X, Y, path, W).analyse(15, radius=1.0)
    plain = math.sqrt(W @ (path - W @ path) ** 2)
    best = found.rms if term == "coma" else found.rms_focused
    assert (best if balanced else plain) == pytest.approx(rms, rel=1e-9)


def test_mistakes_are_named() -> None:
    """No Noll index 0, no more terms than points, no term that was not asked for."""
    with pytest.raises(UsageError, match="first one is 1"):
        noll(0)
    with pytest.raises(UsageError, match="cannot be separated"):
        orthonormal(15, X[:5], Y[:5], W[:5])
    found = Wavefront(X, Y, X, W).analyse(6)
    with pytest.raises(UsageError, match="terms 1 to 6"):
        found[7]
    with pytest.raises(UsageError, match="at least 4"):
        Wavefront(X, Y, X, W).analyse(3)
