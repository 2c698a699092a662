"""Several planes along a beam: caustic, waist, divergence, M² (ISO 11146-1); pointing stability.

d²(z) = A + B z + C z² in each principal direction of a stigmatic or simple astigmatic beam:
z0 = −B/2C, d0 = √(4AC − B²)/(2√C), Θ = √C, z_R = √(4AC − B²)/(2C), M² = π √(4AC − B²)/(8 λ).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.core.errors import UsageError

__all__ = [
    "Caustic",
    "Stability",
    "caustics",
    "fit_caustic",
    "focus_divergence",
    "general_astigmatism",
    "pointing_stability",
]

Floats = npt.NDArray[np.float64]

PLANES = 10
"""Planes that the standard asks for."""


@dataclass(frozen=True, slots=True, eq=False)
class Caustic:
    """The hyperbola through the widths of one direction.

    ``values`` (5,) in the order of :attr:`names`: position and diameter of the waist, mm, full
    divergence angle, rad, Rayleigh length, mm, and beam propagation ratio M²; ``covariance``
    (5, 5); ``coefficients`` (3,) A, B, C; ``reduced_chi2`` of the fit (1 where the stated
    uncertainties explain the scatter); ``complaints`` about the planes.
    """

    values: Floats
    covariance: Floats
    coefficients: Floats
    reduced_chi2: float
    complaints: tuple[str, ...]

    names = ("waist_position", "waist", "divergence", "rayleigh_length", "m2")

    def __getitem__(self, name: str) -> float:
        return float(self.values[self.names.index(name)])

    def u(self, name: str) -> float:
        """Return the standard uncertainty of ``name``."""
        k = self.names.index(name)
        return math.sqrt(max(float(self.covariance[k, k]), 0.0))


def fit_caustic(z: Floats, d: Floats, u: Floats, wavelength: float) -> Caustic:
    """Fit one caustic.

    Parameters
    ----------
    z, d, u
        (n,) positions, widths d_σ and their standard uncertainties, mm.
    wavelength
        mm.

    Raises
    ------
    UsageError
        For fewer than four planes, planes without uncertainty, or widths that no beam can have
        (no waist: 4AC ≤ B²).
    """
    z, d, u = (np.asarray(v, dtype=np.float64) for v in (z, d, u))
    if not (z.ndim == 1 and z.shape == d.shape == u.shape and len(z) >= 4):
        raise UsageError(
            f"caustic: {z.size} planes; at least 4 are needed, {PLANES} for ISO 11146."
        )
    if not (np.all(u > 0) and np.all(d > 0) and wavelength > 0):
        raise UsageError("caustic: widths, their uncertainties and the wavelength must be above 0.")
    middle, span = float(z.mean()), max(float(np.ptp(z)) / 2, 1e-12)
    t = (z - middle) / span
    weight = 1 / (2 * d * u)
    design = np.column_stack([np.ones_like(t), t, t * t])
    solution, normal = _weighted(design, d * d, weight)
    for _ in range(3):
        fitted = np.maximum(design @ solution, 1e-12 * float(d.max()) ** 2)
        solution, normal = _weighted(design, d * d, 1 / (2 * np.sqrt(fitted) * u))
        weight = 1 / (2 * np.sqrt(fitted) * u)
    residual = (d * d - design @ solution) * weight
    chi2 = float(residual @ residual) / max(len(z) - 3, 1)
    a, b, c = _unscaled(solution, middle, span)
    discriminant = 4 * a * c - b * b
    if not (c > 0 and discriminant > 0):
        raise UsageError(
            "caustic: these widths have no waist (4AC ≤ B²); measure planes on both sides of it, "
            "and farther away."
        )
    jacobian = _derivatives(solution, middle, span, wavelength)
    covariance = jacobian @ np.linalg.inv(normal) @ jacobian.T * max(chi2, 1.0)
    values = _results(np.array([a, b, c]), wavelength)
    return Caustic(
        values, covariance, np.array([a, b, c]), chi2, _complaints(z, values[0], values[3])
    )


def caustics(
    profiles: Sequence[BeamProfile],
    distances: Sequence[float],
    wavelength: float,
    *,
    tails: bool = False,
) -> tuple[Caustic, Caustic, float]:
    """Fit both principal directions of a stigmatic or simple astigmatic beam.

    The widths are those of the standard's window of three widths, which leaves out faint, wide
    tails: so M² of hard-edged or comatic beams is by 1 to 5 % less than of all the light (see
    :mod:`.tails`). What frames measured with ``tails=True`` show beyond the window shifts the
    results; the whole shift counts as a further standard uncertainty, common to all planes. Where
    it was not measured, that is a complaint.

    Parameters
    ----------
    profiles
        One a plane.
    distances
        mm along the beam, one a plane.
    wavelength
        mm.
    tails
        Fit all the light up to four and a half widths instead: for frames with little noise. What
        noise may hide there then counts in each width, and half of the shift in the results, for
        what lies still farther out. With noise below 0.05 % of the peak M² is then within 1 %.

    Returns
    -------
    tuple
        Caustics along the beam's axis closer to x and across it, and that axis' azimuth, rad.

    Raises
    ------
    UsageError
        For generally astigmatic beams, whose axes turn along the beam: ISO 11146-2 is for them;
        for ``tails`` of profiles that were measured without.
    """
    blind = sum(p.tails is None for p in profiles)
    if tails and blind:
        raise UsageError(
            f"caustics: {blind} of {len(profiles)} profiles were measured without the "
            "light outside "
            "their window; measure every frame with measure_beam(frame, tails=True)."
        )
    if general_astigmatism(profiles):
        raise UsageError(
            "caustic: the principal axes turn along the beam (general astigmatism); M² of two "
            "directions does not describe it. Measure by ISO 11146-2."
        )
    azimuth = _common_azimuth(profiles)
    z = np.asarray(distances, dtype=np.float64)
    first, second = (
        _along(profiles, z, wavelength, turn, tails) for turn in (azimuth, azimuth + math.pi / 2)
    )
    return first, second, azimuth


def _along(
    profiles: Sequence[BeamProfile], z: Floats, wavelength: float, turn: float, tails: bool
) -> Caustic:
    """Fit the widths along the direction ``turn``, and see what the tails do to the fit."""
    n = np.array([math.cos(turn) ** 2, math.sin(turn) ** 2, math.sin(2 * turn)])
    second = np.array([n @ p.moments[2:5] for p in profiles])
    u2 = np.array([math.sqrt(n @ p.covariance[2:5, 2:5] @ n) for p in profiles])
    seen = [p.tails for p in profiles if p.tails is not None]
    if tails:
        u2 = np.sqrt(u2**2 + np.array([n @ t.covariance @ n for t in seen]))

    def fit(moments: Floats) -> Caustic:
        d = 4 * np.sqrt(np.maximum(moments, 1e-300))
        return fit_caustic(z, d, 8 * u2 / d, wavelength)

    inside = fit(second)
    if len(seen) < len(profiles):
        return replace(inside, complaints=(*inside.complaints, _BLIND))
    everything = fit(second + np.array([n @ t.gain for t in seen]))
    chosen, share = (everything, 0.5) if tails else (inside, 1.0)
    shift = share * (everything.values - inside.values)
    return replace(chosen, covariance=chosen.covariance + np.outer(shift, shift))


_BLIND = (
    "frames were measured without tails=True: light outside their windows, a few percent of M² for "
    "hard-edged or comatic beams, is neither counted nor in the uncertainty"
)


def general_astigmatism(profiles: Sequence[BeamProfile]) -> bool:
    """Tell whether the principal axes turn along the beam, beyond three standard uncertainties.

    Planes above an ellipticity of 0.87 count as circular and have no say (ISO 11146-1). A quarter
    turn is no turn: the axes change names at the circle of least confusion.
    """
    oblong = [p for p in profiles if p.ellipticity < 0.87]
    if len(oblong) < 2:
        return False
    azimuth = _common_azimuth(oblong)
    away = np.array([_quarter(p.azimuth - azimuth) for p in oblong])
    u = np.array([max(p.u_azimuth, 1e-6) for p in oblong])
    return bool(np.any(np.abs(away) > np.maximum(3 * u, math.radians(2.0))))


def focus_divergence(
    profile: BeamProfile, focal_length: float, u_focal_length: float = 0.0
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the full divergence d_σ/f along both principal axes from a focal-plane frame.

    ``focal_length`` of the lens and its standard uncertainty, mm. Returns ((first, second), their
    standard uncertainties), rad; first is the axis closer to x. ISO 11146-1.
    """
    if not focal_length > 0:
        raise UsageError(f"focal length {focal_length!r} mm must be larger than 0.")
    first, second = profile.widths
    names = (profile.u_width_major, profile.u_width_minor)
    u_widths = names if first >= second else names[::-1]
    angles = first / focal_length, second / focal_length
    relative = u_focal_length / focal_length
    u = tuple(
        math.hypot(uw / focal_length, angle * relative)
        for uw, angle in zip(u_widths, angles, strict=True)
    )
    return angles, (u[0], u[1])


@dataclass(frozen=True, slots=True)
class Stability:
    """Scatter of the beam's position: s along the principal axes of the scatter.

    ``s_major``, ``s_minor`` standard deviations, mm (rad where angles were given), ``azimuth`` of
    the larger, rad, ``count`` positions; ``positional`` 4 s per axis and ``overall`` 2√2 s.
    """

    s_major: float
    s_minor: float
    azimuth: float
    count: int

    @property
    def positional(self) -> tuple[float, float]:
        """4 s along both axes (ISO 11670, from memory)."""
        return 4 * self.s_major, 4 * self.s_minor

    @property
    def overall(self) -> float:
        """2√2 s with s² = s_major² + s_minor² (ISO 11670, from memory)."""
        return 2 * math.sqrt(2) * math.hypot(self.s_major, self.s_minor)

    @property
    def u_relative(self) -> float:
        """Relative standard uncertainty of either s, 1/√(2(n − 1)), for normal scatter."""
        return 1 / math.sqrt(2 * (self.count - 1))


def pointing_stability(positions: Floats) -> Stability:
    """Return the scatter of ``positions`` (n, 2), centroids in mm or angles in rad (ISO 11670)."""
    points = np.asarray(positions, dtype=np.float64)
    if points.ndim != 2 or points.shape[1] != 2 or len(points) < 3:
        raise UsageError(
            f"pointing stability: positions of shape {points.shape}; (n ≥ 3, 2) needed."
        )
    variances, axes = np.linalg.eigh(np.cov(points, rowvar=False))
    azimuth = math.atan2(axes[1, 1], axes[0, 1])
    if abs(azimuth) > math.pi / 2:
        azimuth -= math.copysign(math.pi, azimuth)
    low, high = np.sqrt(np.maximum(variances, 0.0))
    return Stability(float(high), float(low), azimuth, len(points))


def _weighted(design: Floats, values: Floats, weight: Floats) -> tuple[Floats, Floats]:
    normal = (design * weight[:, None] ** 2).T @ design
    solution = np.linalg.solve(normal, design.T @ (weight**2 * values))
    return np.asarray(solution, dtype=np.float64), normal


def _unscaled(solution: Floats, middle: float, span: float) -> tuple[float, float, float]:
    p, q, r = (float(v) for v in solution)
    c = r / span**2
    b = q / span - 2 * c * middle
    return p - q * middle / span + c * middle**2, b, c


def _results(coefficients: Floats, wavelength: float) -> Floats:
    a, b, c = coefficients
    root = np.sqrt(4 * a * c - b * b)
    return np.array(
        [-b / (2 * c), root / (2 * np.sqrt(c)), np.sqrt(c), root / (2 * c),
         np.pi * root / (8 * wavelength)]
    )  # fmt: skip


def _derivatives(solution: Floats, middle: float, span: float, wavelength: float) -> Floats:
    """Return d(results)/d(scaled coefficients), (5, 3), by the complex step: exact to rounding."""
    columns = []
    for k in range(3):
        stepped = solution.astype(complex)
        step = 1e-30 * max(abs(float(solution[k])), 1.0)
        stepped[k] += 1j * step
        p, q, r = stepped
        c = r / span**2
        b = q / span - 2 * c * middle
        a = p - q * middle / span + c * middle**2
        columns.append(np.imag(_results(np.array([a, b, c]), wavelength)) / step)
    return np.column_stack(columns)


def _complaints(z: Floats, waist: float, rayleigh: float) -> tuple[str, ...]:
    found = []
    if len(z) < PLANES:
        found.append(f"{len(z)} planes; ISO 11146-1 asks for at least {PLANES}")
    away = np.abs(z - waist) / rayleigh
    near, far = np.count_nonzero(away <= 1), np.count_nonzero(away >= 2)
    if near < 0.4 * len(z):
        found.append(
            f"{near} of {len(z)} planes within one Rayleigh length; about half are asked for"
        )
    if far < 0.4 * len(z):
        found.append(
            f"{far} of {len(z)} planes beyond two Rayleigh lengths; about half are asked for"
        )
    return tuple(found)


def _common_azimuth(profiles: Sequence[BeamProfile]) -> float:
    """Return the mean azimuth modulo a quarter turn, each plane by how oblong it is, rad."""
    total = 0j
    for p in profiles:
        xx, yy, xy = p.moments[2:5]
        total += (complex(xx - yy, 2 * xy) / (xx + yy)) ** 2
    return float(np.angle(total)) / 4


def _quarter(angle: float) -> float:
    """Return ``angle`` modulo a quarter turn, −π/4 to π/4."""
    return (angle + math.pi / 4) % (math.pi / 2) - math.pi / 4
