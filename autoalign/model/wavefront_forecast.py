"""What the fitted bench does to the wavefront: its aberrations, and how surely they are known.

Two planes show where a beam goes and how it grows, and leave aberrations open that they do not
show: a source beside the focus with a mirror turned to match makes a beam that is straight, round
and of the right size, and astigmatic and comatic all the same. What is known of the bench bounds
them. Rays from the middle of the source give the slopes of the wavefront, polynomials fitted to the
slopes give the wavefront, and the covariance of all unknowns together gives its uncertainty.

Figure errors of the optics are not in the model: what they add is theirs.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from functools import cached_property

import numpy as np
import numpy.typing as npt

from autoalign.model.predict import BenchModel
from autoalign.optics.layout import Plane, Source
from autoalign.optics.pose import Pose, place
from autoalign.optics.wavefront import orthonormal, zernike_matrix

__all__ = ["PARTS", "Aberration", "WavefrontEstimate", "WavefrontForecast", "estimate"]

Floats = npt.NDArray[np.float64]

TERMS = 11
"""Polynomials in Noll's order: piston, tilts, focus, astigmatism, coma, trefoil, spherical."""
PARTS = (
    "defocus",
    "astigmatism 45°",
    "astigmatism 0°",
    "coma y",
    "coma x",
    "trefoil y",
    "trefoil x",
    "spherical",
)
"""Names of the coefficients, Noll's 4 to 11."""
COLLIMATED = 1e3
"""A beam whose rays meet further away than this many of its widths is called collimated."""
DRAWS = 512
"""Points of the normal distribution by which the bounds are found."""
SURE = 0.95
"""Probability that bounds hold with."""


@dataclass(frozen=True, eq=False)
class Aberration:
    """Coefficients of the wavefront at one position, mm rms each; see :data:`PARTS`.

    ``values`` (8,); ``shapes`` (rays, 8) are the polynomials and ``weight`` (rays,) the power of
    the rays, of sum 1; ``slopes`` (rays, 2, 8) are the polynomials' slopes, 1/mm.
    """

    values: Floats
    shapes: Floats
    weight: Floats
    slopes: Floats
    _derive: Callable[[], tuple[Floats, Floats]]

    @cached_property
    def derivatives(self) -> tuple[Floats, Floats]:
        """By every unknown (8, unknowns) per prior sigma, and by axis (8, axes) per mm or rad."""
        return self._derive()


@dataclass(frozen=True, slots=True)
class WavefrontEstimate:
    """The wavefront of the beam, weighed by power, without piston and tilt; lengths in waves.

    Parameters
    ----------
    rms
        Of the most probable wavefront.
    upper
        The rms lies below with 95 %.
    strehl
        Peak irradiance of the most probable wavefront in its focus over that of a flat one.
    strehl_lower
        The Strehl ratio lies above with 95 %.
    wavelength
        mm.
    parts
        (8,) coefficients of :data:`PARTS`, each an rms.
    uncertainty
        (8,) their standard uncertainties.
    added
        What the most probable wavefront adds to the divergence that the source's size gives, as a
        part of it; None for a single mode or a point.
    added_upper
        It adds less than this with 95 %; None alike.
    source_divergence
        Full divergence that the source's size gives, rad; 0 for a point.
    """

    rms: float
    upper: float
    strehl: float
    strehl_lower: float
    wavelength: float
    parts: tuple[float, ...]
    uncertainty: tuple[float, ...]
    added: float | None = None
    added_upper: float | None = None
    source_divergence: float = 0.0

    @property
    def shown(self) -> bool:
        """Whether the wavefront is shown to be good, by the measure that binds for this source.

        A single mode or a small pinhole: rms within λ/14 (Maréchal's criterion, Strehl 0.8; M.
        Born and E. Wolf, Principles of Optics, 7th ed., section 9.3, from memory). An extended
        source: the aberrations add at most a tenth to the divergence that its size gives.
        """
        if self.upper <= MARECHAL:
            return True
        return self.added_upper is not None and self.added_upper <= TENTH


MARECHAL = 1 / 14
"""Waves rms at which the Strehl ratio is 0.8."""
TENTH = 0.1
"""Part of its own divergence that aberrations may add to an extended source's beam."""


class WavefrontForecast:
    """Predicts the aberrations of one bench.

    The wavefront is compared with what the bench makes on paper: a plane wave where the beam is
    collimated, a sphere around the place on the bench where it should come to its focus.

    Parameters
    ----------
    model
        The model of the bench.
    wiring
        How commands reach the axes, where that is not as the layout says.
    """

    def __init__(self, model: BenchModel, wiring: Floats | None = None) -> None:
        self.model, self.wiring = model, wiring
        light = model.layout.light
        self.wavelength = light.rms_wavelength
        self.middle = np.array([(a.lower + a.upper) / 2 for a in model.axes])
        self._places, self._focus = self._reference()
        self.source_divergence = self._source_divergence()
        self.diffraction_divergence = self._diffraction_divergence()

    def _reference(self) -> tuple[tuple[Pose, Pose], float | None]:
        """Return the pupil and another place, and how far the focus is, mm; None if collimated."""
        pupil = _on_beam(self.model, 0.0)
        field = self.model.light_field(self.middle, np.zeros(self.model.size), [pupil])
        w = field.weight / field.weight.sum()
        at, slopes = (
            v - (w * v).sum(axis=-1, keepdims=True) for v in (field.at[0], field.slopes[0])
        )
        size = math.sqrt(float((w * at**2).sum()))
        bent = float((w * at * slopes).sum()) / max(size * size, 1e-30)
        if abs(bent) * COLLIMATED * size < 1:
            away = max(COLLIMATED * size / 10, 10.0)
            return (pupil, _on_beam(self.model, away)), None
        return (pupil, _on_beam(self.model, -1 / bent)), -1 / bent

    def _source_divergence(self) -> float:
        light, first = self.model.layout.light, self.model.layout.elements[0].surface
        if not isinstance(light, Source):
            return light.divergence
        length = getattr(first, "reflected_focal_length", None)
        return 0.0 if length is None or self._focus is not None else light.core_diameter / length

    def _diffraction_divergence(self) -> float:
        """Full divergence 4λ/(π d_σ) of a single mode as wide as this beam, rad (ISO 11146-1)."""
        field = self.model.light_field(self.middle, np.zeros(self.model.size), [self._places[0]])
        w = field.weight / field.weight.sum()
        at = field.at[0] - (w * field.at[0]).sum(axis=-1, keepdims=True)
        return self.wavelength / (math.pi * math.sqrt(float((w * at**2).sum()) / 2))

    def at(self, position: Floats, phi: Floats) -> Aberration:
        """Return the aberrations at ``position`` (axes,) for the unknowns ``phi`` (unknowns,)."""
        true = position
        if self.wiring is not None:
            true = self.wiring @ (position - self.middle) + self.middle
        field = self.model.light_field(true, phi, self._places)
        w = field.weight / field.weight.sum()
        (near, far), slopes = field.at, field.slopes[1]
        # Slopes of the wavefront are M · at, and where they are taken is the pupil.
        if self._focus is None:
            length = float(np.linalg.norm(self._places[1].position - self._places[0].position))
            pupil, tilt = near, (far - near) / length
            by_at = np.array([-1.0, 1.0]) / length
        else:
            cosines = slopes / np.sqrt(1 + (slopes**2).sum(axis=0))
            pupil, tilt = -self._focus * cosines, far / -self._focus
            by_at = np.array([0.0, 1.0 / -self._focus])
        pupil = pupil - (w * pupil).sum(axis=-1, keepdims=True)
        tilt = tilt - (w * tilt).sum(axis=-1, keepdims=True)
        radius = float(np.sqrt((pupil**2).sum(axis=0).max()))
        x, y = pupil / radius
        shapes = orthonormal(TERMS, x, y, w)[:, 3:]
        change = _slopes_of(x, y, w) / radius
        # Least squares of the slopes, each ray weighed by its power; tilts are free.
        root = np.sqrt(w)[:, None, None]
        system = (root * (change - np.einsum("n,nik->ik", w, change))).reshape(-1, TERMS - 3)
        solve = np.linalg.pinv(system).reshape(TERMS - 3, -1, 2) * np.sqrt(w)[:, None]
        solve = solve - solve.sum(axis=1, keepdims=True) * w[None, :, None]
        values = np.einsum("kni,in->k", solve, tilt)
        weights = by_at[:, None, None, None] * np.swapaxes(solve, 1, 2)[None]

        def derive() -> tuple[Floats, Floats]:
            by_unknown, by_axis = field.contracted(weights)
            return by_unknown, by_axis if self.wiring is None else by_axis @ self.wiring

        return Aberration(values, shapes, w, change, derive)

    @property
    def sigma_of_source(self) -> float:
        """Standard deviation of the angles that the source's size gives to each point, rad.

        0 where diffraction spreads a beam of this width more than the source's size does.
        """
        wide = self.source_divergence > self.diffraction_divergence
        return self.source_divergence / 4 if wide else 0.0

    def allowed(self, seen: Aberration) -> Floats:
        """Return how large each coefficient (8,), mm rms, may be by the measure that binds."""
        slope = np.sqrt(np.einsum("n,nik->k", seen.weight, seen.slopes**2) / 2)
        hidden = self.sigma_of_source * math.sqrt((1 + TENTH) ** 2 - 1) / slope
        return np.asarray(np.maximum(hidden, self.wavelength * MARECHAL))


def estimate(forecast: WavefrontForecast, seen: Aberration, root: Floats) -> WavefrontEstimate:
    """Return what is known of the wavefront, for a root (unknowns, m) of the unknowns' covariance.

    Bounds are quantiles over a fixed net of points that is spread as the normal distribution.
    """
    spread = seen.derivatives[0] @ root
    covariance = spread @ spread.T
    values, vectors = np.linalg.eigh(covariance)
    net = _net(len(seen.values))
    draws = seen.values + net @ (vectors * np.sqrt(np.maximum(values, 0.0))).T
    waves = draws / forecast.wavelength
    rms = np.linalg.norm(waves, axis=1)
    own = seen.values / forecast.wavelength
    strehls = _strehl(waves, seen)
    sigma = forecast.sigma_of_source
    added = upper = None
    if sigma:
        added = float(_added(seen.values[None], seen, sigma)[0])
        upper = float(np.quantile(_added(draws, seen, sigma), SURE))
    return WavefrontEstimate(
        rms=float(np.linalg.norm(own)),
        upper=float(np.quantile(rms, SURE)),
        strehl=float(_strehl(own[None], seen)[0]),
        strehl_lower=float(np.quantile(strehls, 1 - SURE)),
        wavelength=forecast.wavelength,
        parts=tuple(map(float, own)),
        uncertainty=tuple(map(float, np.sqrt(np.diag(covariance)) / forecast.wavelength)),
        added=added,
        added_upper=upper,
        source_divergence=forecast.source_divergence,
    )


def _strehl(waves: Floats, seen: Aberration) -> Floats:
    """Strehl ratio of each row of coefficients (n, 8), waves."""
    phase = np.exp(2j * np.pi * (waves @ seen.shapes.T))
    return np.asarray(np.abs(phase @ seen.weight) ** 2)


def _added(values: Floats, seen: Aberration, sigma: float) -> Floats:
    """What aberrations (n, 8), mm, add to angles of the standard deviation ``sigma``, rad."""
    slopes = np.einsum("nik,mk->mni", seen.slopes, values)
    mean = np.einsum("n,mni->mi", seen.weight, slopes)
    square = np.einsum("n,mni->m", seen.weight, (slopes - mean[:, None]) ** 2) / 2
    return np.asarray(np.sqrt(1 + square / sigma**2) - 1)


def _slopes_of(x: Floats, y: Floats, weight: Floats) -> Floats:
    """Slopes (rays, 2, 8) of the orthonormal polynomials, by differences; they are smooth."""
    share = np.sqrt(weight / weight.sum())
    matrix = zernike_matrix(TERMS, x, y)
    r = np.linalg.qr(matrix * share[:, None], mode="r")
    r = r * np.sign(np.diagonal(r))[:, None]
    step = 1e-5
    by_x = (zernike_matrix(TERMS, x + step, y) - zernike_matrix(TERMS, x - step, y)) / (2 * step)
    by_y = (zernike_matrix(TERMS, x, y + step) - zernike_matrix(TERMS, x, y - step)) / (2 * step)
    both = [np.linalg.solve(r.T, m.T).T[:, 3:] for m in (by_x, by_y)]
    return np.stack(both, axis=1)


_NETS: dict[int, Floats] = {}


def _net(size: int) -> Floats:
    """A net (DRAWS, size) of points spread as the normal distribution: Sobol's, mapped."""
    if size not in _NETS:
        from scipy.special import ndtri  # noqa: PLC0415 - heavy
        from scipy.stats import qmc  # noqa: PLC0415

        even = qmc.Sobol(size, scramble=False).random(DRAWS)
        _NETS[size] = np.asarray(ndtri((even + 0.5 / DRAWS).clip(1e-6, 1 - 1e-6)))
    return _NETS[size]


def _on_beam(model: BenchModel, distance: float) -> Pose:
    """Frame on the nominal beam, ``distance`` mm after the last element."""
    layout = replace(model.layout, planes=(Plane("here", distance),), motions=())
    return place(layout)["here"]
