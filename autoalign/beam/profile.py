"""What one frame says of the beam."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from autoalign.core.frames import View

__all__ = [
    "MOMENTS",
    "BeamProfile",
    "Flag",
    "FlagKind",
    "Tails",
    "Use",
    "matrix",
    "moment_map",
    "root",
    "stretch",
]

Floats = npt.NDArray[np.float64]

# Symmetric 2 × 2 matrices and their derivatives, as vectors (xx, yy, xy).


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


MOMENTS = ("x", "y", "xx", "yy", "xy", "xxx", "xxy", "xyy", "yyy")
"""Order of :attr:`BeamProfile.moments` and of its covariance."""


class FlagKind(StrEnum):
    """What may be wrong with a frame."""

    SATURATED = "saturated"
    DARK = "dark"
    CLIPPED_BY_SENSOR = "clipped by the sensor"
    CLIPPED_BY_APERTURE = "clipped by an aperture"
    NICKED = "nicked edge"
    TWO_SPOTS = "two spots"
    HOT_PIXELS = "hot pixels"
    FROZEN = "frozen"
    STALE = "stale"
    TORN = "torn"
    AMBIENT = "ambient light"
    RING = "ring or hole"
    SPECKLE = "speckle"
    NOT_CONVERGED = "not converged"


class Use(StrEnum):
    """What a frame is still good for, from most to least."""

    ALL = "all"
    POSITION = "position only"
    DIRECTION = "direction only"
    NOTHING = "nothing"


@dataclass(frozen=True, slots=True)
class Flag:
    """One finding: what, the evidence in words and numbers, and what the frame is good for.

    ``shift`` bounds what it may have done to the nine moments, as a standard uncertainty: all of
    them together, in this direction or against it. Empty where it does nothing to them.
    """

    kind: FlagKind
    evidence: str
    use: Use = Use.ALL
    shift: tuple[float, ...] = ()


@dataclass(frozen=True, slots=True, eq=False)
class Tails:
    """What the second moments would gain from the light outside the integration window.

    ``gain`` (3,) of ⟨x²⟩, ⟨y²⟩, ⟨xy⟩, mm², zero unless that light plainly stands out;
    ``covariance`` (3, 3), mm⁴, from noise and background: what may be hidden there.
    """

    gain: Floats
    covariance: Floats


@dataclass(frozen=True, slots=True, eq=False)
class BeamProfile:
    """Moments of one frame, and what follows from them.

    Parameters
    ----------
    moments
        (9,) in the order of :data:`MOMENTS`: centroid x, y (mm, frame axes: x along the columns, y
        along the rows, zero at the frame's origin), central second moments ⟨x²⟩, ⟨y²⟩, ⟨xy⟩ (mm²)
        and central third moments ⟨x³⟩, ⟨x²y⟩, ⟨xy²⟩, ⟨y³⟩ (mm³).
    covariance
        (9, 9), standard uncertainties and correlations of ``moments`` (GUM, JCGM 100); what the
        flags add is contained.
    power
        Sum of the background-corrected pixels; ``power_uncertainty`` its standard uncertainty.
    background, noise
        Level and standard deviation of the background, in pixel values.
    peak
        Largest background-corrected pixel value.
    flags
        Findings by kind; empty for a clean frame.
    window
        Centre (x, y) and half sides (along the principal axis closer to x, across it), mm, and
        azimuth, rad, of the integration window.
    tails
        Light outside that window; not counted in anything else. None where it was not measured.
    """

    moments: Floats
    covariance: Floats
    power: float
    power_uncertainty: float
    background: float
    noise: float
    peak: float
    flags: Mapping[str, Flag] = field(default_factory=dict)
    plane: str = ""
    window: tuple[float, float, float, float, float] = (0.0, 0.0, 0.0, 0.0, 0.0)
    started: float | None = None
    view: View = ((1.0, 0.0), (0.0, 1.0))
    tails: Tails | None = None

    @property
    def use(self) -> Use:
        """What the frame is good for: the least of what its flags leave."""
        order = list(Use)
        return max((f.use for f in self.flags.values()), key=order.index, default=Use.ALL)

    @property
    def shifts(self) -> dict[FlagKind, Floats]:
        """What each flag may have done to the moments, (9,); see :class:`Flag`."""
        return {f.kind: np.array(f.shift) for f in self.flags.values() if f.shift}

    def flagged(self, flags: Mapping[str, Flag]) -> BeamProfile:
        """Return the profile with ``flags`` instead of its own, and the covariance they leave."""
        bare = self.covariance - _outer(self.shifts)
        made = replace(self, flags=flags)
        return replace(made, covariance=bare + _outer(made.shifts))

    @property
    def repeatable(self) -> BeamProfile:
        """The same without what flags have done to it, which is alike in every repetition."""
        return self.flagged({k: replace(f, shift=()) for k, f in self.flags.items()})

    @property
    def centroid(self) -> tuple[float, float]:
        """First moments (x, y), mm."""
        return float(self.moments[0]), float(self.moments[1])

    @property
    def second_moments(self) -> Floats:
        """(2, 2) matrix of central second moments, mm²."""
        xx, yy, xy = self.moments[2:5]
        return np.array([[xx, xy], [xy, yy]])

    @property
    def widths(self) -> tuple[float, float]:
        """d_σ along the principal axes, mm: closer to x first (ISO 11146-1)."""
        first, second = _principal_widths(self.moments)
        return first, second

    @property
    def has_widths(self) -> bool:
        """Whether any width was found: one that is larger than its own uncertainty."""
        return self.use is not Use.NOTHING and self.width_minor > self.u_width_minor

    @property
    def width_x(self) -> float:
        """4 √⟨x²⟩, mm."""
        return 4 * math.sqrt(max(float(self.moments[2]), 0.0))

    @property
    def width_y(self) -> float:
        """4 √⟨y²⟩, mm."""
        return 4 * math.sqrt(max(float(self.moments[3]), 0.0))

    @property
    def width_major(self) -> float:
        """Larger of the two principal widths d_σ, mm."""
        return max(self.widths)

    @property
    def width_minor(self) -> float:
        """Smaller of the two principal widths d_σ, mm."""
        return min(self.widths)

    @property
    def azimuth(self) -> float:
        """Angle of the principal axis closer to x, rad, −π/4 to π/4 (ISO 11146-1).

        Without meaning for a round beam; its uncertainty says so.
        """
        return _azimuth(self.moments)

    @property
    def ellipticity(self) -> float:
        """Smaller over larger principal width, 0 to 1 (ISO 11146-1)."""
        major = self.width_major
        return self.width_minor / major if major > 0 else 1.0

    @property
    def skewness(self) -> tuple[float, float]:
        """⟨x³⟩/⟨x²⟩^(3/2) and ⟨y³⟩/⟨y²⟩^(3/2)."""
        m = self.moments
        return (
            float(m[5] / max(m[2], 1e-300) ** 1.5),
            float(m[8] / max(m[3], 1e-300) ** 1.5),
        )

    @property
    def u_centroid(self) -> tuple[float, float]:
        """Standard uncertainties of the centroid, mm."""
        return math.sqrt(self.covariance[0, 0]), math.sqrt(self.covariance[1, 1])

    @property
    def u_width_major(self) -> float:
        """Standard uncertainty of :attr:`width_major`, mm."""
        return self._u(lambda m: max(_principal_widths(m)))

    @property
    def u_width_minor(self) -> float:
        """Standard uncertainty of :attr:`width_minor`, mm."""
        return self._u(lambda m: min(_principal_widths(m)))

    @property
    def u_azimuth(self) -> float:
        """Standard uncertainty of :attr:`azimuth`, rad; at most that of knowing nothing, π/√12."""
        xx, yy, xy = self.moments[2:5]
        anisotropy = (xx - yy) ** 2 + 4 * xy**2
        if anisotropy <= 0:
            return math.pi / math.sqrt(12)
        gradient = np.array([-xy, xy, xx - yy]) / anisotropy
        u = math.sqrt(max(float(gradient @ self.covariance[2:5, 2:5] @ gradient), 0.0))
        return min(u, math.pi / math.sqrt(12))

    @property
    def u_ellipticity(self) -> float:
        """Standard uncertainty of :attr:`ellipticity`."""

        def ratio(m: Floats) -> float:
            a, b = _principal_widths(m)
            return min(a, b) / max(a, b, 1e-300)

        return self._u(ratio)

    def in_plane_axes(self) -> BeamProfile:
        """Return the same profile with moments along the plane's axes (see ``Frame.view``)."""
        turn = moment_map(np.asarray(self.view, dtype=float))
        second, tails = turn[2:5, 2:5], self.tails
        return replace(
            self,
            moments=turn @ self.moments,
            covariance=turn @ self.covariance @ turn.T,
            flags={
                k: replace(f, shift=tuple((turn @ f.shift).tolist())) if f.shift else f
                for k, f in self.flags.items()
            },
            tails=tails and Tails(second @ tails.gain, second @ tails.covariance @ second.T),
            view=((1.0, 0.0), (0.0, 1.0)),
        )

    def _u(self, function: object) -> float:
        return _propagate(function, self.moments, self.covariance)


def _outer(shifts: Mapping[FlagKind, Floats]) -> Floats:
    total = np.zeros((9, 9))
    for shift in shifts.values():
        total += np.outer(shift, shift)
    return total


def _principal_widths(moments: Floats) -> tuple[float, float]:
    xx, yy, xy = (float(v) for v in moments[2:5])
    spread = math.copysign(math.hypot(xx - yy, 2 * xy), xx - yy) if xx != yy else 2 * abs(xy)
    first = 2 * math.sqrt(2) * math.sqrt(max(xx + yy + spread, 0.0))
    second = 2 * math.sqrt(2) * math.sqrt(max(xx + yy - spread, 0.0))
    return first, second


def _azimuth(moments: Floats) -> float:
    xx, yy, xy = (float(v) for v in moments[2:5])
    if xx == yy:
        return math.copysign(math.pi / 4, xy) if xy else 0.0
    return 0.5 * math.atan(2 * xy / (xx - yy))


def _propagate(function: object, moments: Floats, covariance: Floats) -> float:
    """First-order propagation by central differences in units of each moment's uncertainty."""
    assert callable(function)
    gradient = np.zeros(len(moments))
    for k in range(2, 5):
        step = math.sqrt(max(float(covariance[k, k]), 0.0))
        if step == 0:
            continue
        up, down = moments.copy(), moments.copy()
        up[k] += step
        down[k] -= step
        gradient[k] = (function(up) - function(down)) / (2 * step)
    return math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
