"""Where to go next: the position at which the spec's residuals should be smallest, and how surely.

Expected merit is |r|² + trace of r's covariance. The second part hardly changes with the target, so
the first is minimised over the free axes within their limits; among positions that do equally well
the one with the least motion is taken, each axis weighed by what its motion does to the residuals.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile
from autoalign.core.errors import MissingNeedError, UsageError
from autoalign.model.bounded import bounded_least_squares
from autoalign.model.fit import sizes
from autoalign.model.predict import BenchModel, Prediction
from autoalign.model.wavefront_forecast import Aberration, WavefrontForecast
from autoalign.optics.layout import Flat
from autoalign.spec.terms import Spec, WavefrontTerm

__all__ = ["Forecast", "SpecForecast", "Target", "aim"]

Floats = npt.NDArray[np.float64]

LEAST_MOTION = 2e-3
"""Weight of motion against residuals; a direction that moves them a thousand times less than its
axes do alone is left still."""
ENOUGH = 0.02
"""A merit below this, or lower by less than this, is good enough."""
HINT = 0.05
"""Merit that an aberration counts as which is as large as it may be and well known."""
ROUNDS = 8


@dataclass(frozen=True, slots=True, eq=False)
class Forecast:
    """What the spec should say at one position.

    ``residual`` (k,), its derivative ``by_axis`` (k, axes) per mm or rad, and ``by_unknown``
    (k, unknowns) per prior sigma; the ``aberration`` too, where the bench has optics that make one.
    """

    residual: Floats
    by_axis: Floats
    by_unknown: Floats
    aberration: Aberration | None = None

    @property
    def merit(self) -> float:
        """The merit that the most probable unknowns give."""
        return float(np.sqrt(np.mean(self.residual**2)))

    def root(self, root: Floats) -> Floats:
        """Root (k, m) of the residuals' covariance, for a root (m, m) of the unknowns'."""
        return self.by_unknown @ root


@dataclass(frozen=True, slots=True, eq=False)
class Outlook:
    """What should be there at one position: what detectors show, and the ``aberration``."""

    shown: Prediction
    aberration: Aberration | None


@dataclass(frozen=True, slots=True, eq=False)
class Target:
    """The next position (axes,), what is expected there, and whether caution has shortened it."""

    position: Floats
    forecast: Forecast
    sigma: Floats
    shortened: float

    @property
    def chance(self) -> float:
        """How likely every residual is below its tolerance, correlations aside."""
        sigma = math.sqrt(2) * np.maximum(self.sigma, 1e-3)
        high, low = ((v - self.forecast.residual) / sigma for v in (1.0, -1.0))
        pairs = zip(high.tolist(), low.tolist(), strict=True)
        return math.prod((math.erf(h) - math.erf(v)) / 2 for h, v in pairs)


class SpecForecast:
    """Turns predicted readings into the spec's residuals, through the same code as real ones."""

    def __init__(self, model: BenchModel, spec: Spec, wiring: Floats | None = None) -> None:
        self.model = model
        self.wiring = wiring
        self.middle = np.array([(a.lower + a.upper) / 2 for a in model.axes])
        self.distances = {p.name: p.distance for p in model.layout.planes}
        self.wavefront: WavefrontForecast | None = None
        if any(not isinstance(e.surface, Flat) for e in model.layout.elements):
            self.wavefront = WavefrontForecast(model, wiring)
        self.wavefront_term = next((t for t in spec.terms if isinstance(t, WavefrontTerm)), None)
        self.spec = self._known_part(spec)
        self._wanted = model.upright(self.middle, np.zeros(model.size)).sum()

    def merit(self, position: Floats, phi: Floats) -> float:
        """Return the merit expected at one ``position`` (axes,); infinite without light."""
        return self.merit_of(self.seen(position, phi))

    def at(self, position: Floats, phi: Floats) -> Forecast:
        """Return the forecast for one ``position`` (axes,)."""
        return self.forecast_of(self.seen(position, phi))

    def seen(self, position: Floats, phi: Floats) -> Outlook:
        """Return what should be there at one ``position`` (axes,)."""
        shown = self.model.predict(self._true(position), phi)
        if self.wavefront is None or not np.all(np.isfinite(shown.moments)):
            return Outlook(shown, None)
        return Outlook(shown, self.wavefront.at(position, phi))

    def merit_of(self, seen: Outlook) -> float:
        """Return the merit of what should be ``seen``; infinite without light."""
        moments = seen.shown.moments[0]
        if not np.all(np.isfinite(moments)):
            return math.inf
        residuals = np.concatenate([self.residuals(moments), self._of_wavefront(seen)])
        return float(np.sqrt(np.mean(residuals**2)))

    def _of_wavefront(self, seen: Outlook) -> Floats:
        """Return the residuals (8,) of the term that the wavefront has, or none."""
        if self.wavefront_term is None or seen.aberration is None or self.wavefront is None:
            return np.zeros(0)
        return seen.aberration.values * self._wavefront_scale

    @property
    def _wavefront_scale(self) -> float:
        assert self.wavefront is not None
        assert self.wavefront_term is not None
        weight = math.sqrt(self.wavefront_term.weight)
        return weight / (self.wavefront_term.tolerance * self.wavefront.wavelength)

    def forecast_of(self, seen: Outlook) -> Forecast:
        """Return the forecast where that should be ``seen``."""
        moments = seen.shown.moments[0]
        if not np.all(np.isfinite(moments)):
            raise UsageError(
                "strategy model: the model expects no light at these positions; the bench differs "
                "from its layout. Check the bench file, or use the strategy without-model."
            )
        full = seen.shown.derived()
        assert full.jacobian is not None
        assert full.motion is not None
        residual, slope = self._slopes(moments)
        by_moment = slope.reshape(len(residual), -1)
        motion = by_moment @ full.motion[0].reshape(by_moment.shape[1], -1)
        if self.wiring is not None:
            motion = motion @ self.wiring
        by_unknown = by_moment @ full.jacobian[0].reshape(by_moment.shape[1], -1)
        if self.wavefront_term is not None and seen.aberration is not None:
            more_unknown, more_axis = (
                d * self._wavefront_scale for d in seen.aberration.derivatives
            )
            residual = np.concatenate([residual, self._of_wavefront(seen)])
            by_unknown = np.concatenate([by_unknown, more_unknown])
            motion = np.concatenate([motion, more_axis])
        return Forecast(residual, motion, by_unknown, seen.aberration)

    def turned(self, position: Floats, phi: Floats) -> bool:
        """Whether the beam is turned over between the outer planes though it should not be.

        In one direction or in both; or is not, on a bench whose focus should lie between them.
        """
        seen = self.model.upright(self._true(position), phi)[0]
        return bool(np.any(seen * self._wanted < 0))

    def righted(self, phi: Floats) -> Floats:
        """Return the position (axes,) at which every axis makes up for its own misalignment."""
        model = self.model
        places = [model.unknowns.block(a.name, "offset").start for a in model.axes]
        away = -(phi * model.unknowns.sigma)[places]
        if self.wiring is not None:
            away = np.linalg.pinv(self.wiring) @ away
        return self.middle + away

    def _true(self, position: Floats) -> Floats:
        """Where the axes really are (1, axes), given the wiring."""
        if self.wiring is None:
            return position[None]
        true: Floats = (position - self.middle) @ self.wiring.T + self.middle
        return true[None]

    def residuals(self, moments: Floats) -> Floats:
        """Return the spec's residuals for ``moments`` (planes, 9)."""
        return self.spec.evaluate(self._quality(moments)).residuals

    def terms_of_rows(self, moments: Floats) -> tuple[str, ...]:
        """Return for each residual of ``moments`` (planes, 9) the name of its term."""
        terms = self.spec.evaluate(self._quality(moments)).terms
        return tuple(t.name for t in terms for _ in t.components)

    def _profiles(self, moments: Floats) -> dict[str, BeamProfile]:
        return {
            plane: BeamProfile(m, np.diag(np.full(9, 1e-12)), 1.0, 0.0, 0.0, 0.0, 1.0, plane=plane)
            for plane, m in zip(self.model.planes, moments, strict=True)
        }

    def _quality(self, moments: Floats) -> BeamParameters:
        from autoalign.beam.combine import combine  # noqa: PLC0415

        return combine(self._profiles(moments), self.distances)

    def _slopes(self, moments: Floats) -> tuple[Floats, Floats]:
        """Residuals (k,) and their derivatives by the moments (k, planes, 9).

        From quantities to residuals by differences, whose steps suit double precision.
        """
        from autoalign.beam.combine import derivatives  # noqa: PLC0415

        parameters = self._quality(moments)
        names, by_moment = derivatives(self._profiles(moments), self.distances)
        residual = self.spec.evaluate(parameters).residuals
        places = [names.index(q) for q in self.spec.quantities]
        sized = np.linalg.norm(by_moment[places] * sizes(moments), axis=(1, 2))
        steps = 1e-6 * np.maximum(sized, 1e-6)
        slopes = self.spec.slopes(parameters, steps)
        return residual, np.einsum("kq,qpm->kpm", slopes, by_moment[places])

    def _known_part(self, spec: Spec) -> Spec:
        """Leave out terms that the model has no reading for (a power meter's, for instance).

        The wavefront is no reading, and has its own place in the forecast.
        """
        moments = np.tile([0.0, 0, 1, 1, 0, 0, 0, 0, 0], (len(self.model.planes), 1))
        known = self._quality(moments).names
        terms = tuple(t for t in spec.terms if all(q in known for q in t.quantities))
        if not terms:
            raise MissingNeedError(
                "strategy model: the model has the planes "
                f"{', '.join(self.model.planes)}, and no term of the spec can be judged from them; "
                "use the strategy without-model."
            )
        return replace(spec, terms=terms)


def aim(
    foresight: SpecForecast, phi: Floats, root: Floats, here: Floats, lower: Floats, upper: Floats
) -> Target:
    """Return where to go from ``here`` (axes,), within ``lower`` and ``upper``.

    Where the nearest such place would send the beam through a focus between the planes, which
    meets the spec and is not what the bench is for, the way begins where every axis is right by
    the model.
    """
    now = foresight.at(here, phi)
    way = _Way(foresight, phi, here, now, lower, upper, _hint(foresight, now, root))
    position, target = way.descend(here, now)
    if foresight.turned(position, phi):
        start = np.clip(foresight.righted(phi), lower, upper)
        if math.isfinite(foresight.merit(start, phi)):
            position, target = way.descend(start, foresight.at(start, phi))
    spread = target.root(root)
    # Only the doubt that the motion itself adds speaks against it.
    doubt = float((spread**2).sum() - (now.root(root) ** 2).sum())
    offence = float(now.residual @ now.residual)
    short = max(offence / (offence + doubt), 0.25) if doubt > offence else 1.0
    if short < 1:
        position = here + short * (position - here)
        target = foresight.at(position, phi)
        spread = target.root(root)
    return Target(position, target, np.sqrt((spread**2).sum(axis=1)), short)


@dataclass(frozen=True, slots=True, eq=False)
class _Way:
    """The way from ``here`` to where the residuals are smallest, for the unknowns ``phi``."""

    foresight: SpecForecast
    phi: Floats
    here: Floats
    now: Forecast
    lower: Floats
    upper: Floats
    hint: Floats

    def descend(self, position: Floats, target: Forecast) -> tuple[Floats, Forecast]:
        """Return the best position (axes,) down from ``position``, and what is expected there."""
        merit = self._cost(target.merit, target.aberration)
        weight = LEAST_MOTION * np.linalg.norm(self.now.by_axis, axis=0)
        for _ in range(ROUNDS):
            step = self._step(target, weight, position)
            scale, (seen, ahead) = 1.0, self._ahead(position + step)
            while ahead > merit and scale > 0.1:
                scale /= 3
                seen, ahead = self._ahead(position + scale * step)
            if ahead >= merit:
                break
            gain, merit = merit - ahead, ahead
            position = position + scale * step
            target = self.foresight.forecast_of(seen)
            if gain < ENOUGH or merit < ENOUGH:
                break
        return position, target

    def _ahead(self, position: Floats) -> tuple[Outlook, float]:
        """What should be there at ``position`` (axes,), and what it costs."""
        seen = self.foresight.seen(position, self.phi)
        return seen, self._cost(self.foresight.merit_of(seen), seen.aberration)

    def _cost(self, merit: float, aberration: Aberration | None) -> float:
        """The merit, with the little that aberrations count which no term shows."""
        if aberration is None:
            return merit
        return math.hypot(merit, float(np.linalg.norm(self.hint * aberration.values)))

    def _step(self, at: Forecast, weight: Floats, position: Floats) -> Floats:
        """Least squares step (axes,) within bounds, motion and aberrations weighed in."""
        low, high = self.lower - position, self.upper - position
        return bounded_step(at, weight, position - self.here, low, high, self.hint)


def bounded_step(
    at: Forecast,
    weight: Floats,
    moved: Floats,
    lower: Floats,
    upper: Floats,
    hint: Floats | None = None,
) -> Floats:
    """Return the least squares step (axes,) within ``lower`` and ``upper`` (axes,).

    ``moved`` so far (axes,) counts by ``weight`` (axes,), aberrations by ``hint`` (8,), 1/mm.
    """
    system = [at.by_axis, np.diag(weight)]
    goal = [at.residual, weight * moved]
    if at.aberration is not None and hint is not None and hint.any():
        # Costs are the root of a mean over residuals, and so is the step's.
        hint = hint * math.sqrt(len(at.residual))
        system.append(hint[:, None] * at.aberration.derivatives[1])
        goal.append(hint * at.aberration.values)
    return bounded_least_squares(np.concatenate(system), -np.concatenate(goal), lower, upper)


def _hint(foresight: SpecForecast, now: Forecast, root: Floats) -> Floats:
    """Return how much each aberration (8,) counts, 1/mm: the less, the less it is known.

    Terms leave combinations of axes open; among them the beam of the least aberration is wanted.
    """
    if foresight.wavefront is None or now.aberration is None:
        return np.zeros(0)
    if foresight.wavefront_term is not None:
        return np.zeros(len(now.aberration.values))
    spread = now.aberration.derivatives[0] @ root
    allowed = foresight.wavefront.allowed(now.aberration)
    return np.asarray(HINT / np.sqrt(allowed**2 + (spread**2).sum(axis=1)))
