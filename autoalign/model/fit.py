"""Fit of the unknowns to the measurements: maximum a posteriori, robust, with its covariance.

The cost is |φ|² + Σ |residual|², with the unknowns φ in units of their priors and every
measurement whitened by the covariance of its readings. Its axis positions are themselves known
only to their resolution and backlash, which adds M C_x Mᵀ to that covariance. A frame that fits
badly loses weight as under Student's t (K. L. Lange, R. J. A. Little and J. M. G. Taylor, JASA 84,
1989).
"""

from __future__ import annotations

import itertools
import math
from collections.abc import Sequence
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.model.predict import BenchModel, Prediction

__all__ = ["Fit", "Readings", "fit", "readings_from_profiles", "usable"]

Floats = npt.NDArray[np.float64]

FLOOR = (5e-4, 5e-4, 1e-3, 1e-3, 7e-4, 0.01, 0.01, 0.01, 0.01)
"""What no model of a moment is better than, in units of the beam's standard deviation to the
moment's order. Third moments of frames of the tests' benches lie within 0.007 (rms) of
those of the true light."""
SHARED = (2e-3, 2e-3, 5e-3, 5e-3, 3.5e-3, 0.03, 0.03, 0.03, 0.03)
"""The same for errors that all planes of one measurement share: light that is uneven in a way that
the model does not know changes near and far alike as the beam wanders over the mirror."""
CUT_OFF = 0.25
"""Standard uncertainty of the centroid of a beam that the sensor cuts off, in units of its width:
where its middle lies is a guess."""
OUTWARD = 2.0
"""How far outside its visible part a cut-off beam is taken to be, in standard deviations of that
part."""
FREEDOM = 8.0
"""Degrees of freedom of Student's t."""
STEADY = 0.1
"""Weights that change by less than this part are the last ones."""
ROUNDS = 30
SETTLED = 0.02
RELATIVE = 1e-3
"""A step that lowers the cost by less than this, absolutely and in part, is the last one."""


@dataclass(frozen=True, slots=True, eq=False)
class Readings:
    """Readings of one measurement.

    ``positions`` (axes,); by plane index the ``moments`` (9,), their ``covariance`` (9, 9) with all
    floors added, and ``used``, the places of the moments that count. The beam of a plane in
    ``bounds`` is cut off so much that its true centroid lies there or farther out. ``shifts`` are
    what flags may have done to the moments, (9,) by kind: alike at all planes.
    """

    positions: Floats
    moments: dict[int, Floats]
    covariance: dict[int, Floats]
    used: dict[int, npt.NDArray[np.intp]] = field(default_factory=dict)
    bounds: frozenset[int] = frozenset()
    shifts: dict[int, dict[FlagKind, Floats]] = field(default_factory=dict)

    @property
    def count(self) -> int:
        """Number of readings that count."""
        return sum(len(u) for u in self.used.values())


@dataclass(frozen=True, slots=True, eq=False)
class Fit:
    """The most probable unknowns and how sure they are.

    ``phi`` (m,) in units of the priors; ``root`` (m, m) with posterior covariance = root rootᵀ;
    ``cost`` at the optimum, with weights (robust); ``misfit`` the same without them, except for
    beams that are cut off, and ``count`` the number of readings. ``weights`` by (look, plane) say
    how far each frame is believed.
    """

    phi: Floats
    root: Floats
    cost: float
    misfit: float
    count: int
    weights: dict[tuple[int, int], float]

    @property
    def covariance(self) -> Floats:
        """(m, m) posterior covariance in units of the priors."""
        return self.root @ self.root.T

    @property
    def excess(self) -> float:
        """How far the misfit lies above what is expected, in standard deviations of χ²."""
        return (self.misfit - self.count) / math.sqrt(2.0 * max(self.count, 1))


def readings_from_profiles(
    planes: Sequence[str], positions: Floats, profiles: dict[str, BeamProfile], third: bool = True
) -> Readings:
    """Turn profiles into readings: all moments, as surely as each is known.

    A frame without widths, and one of a beam that the sensor cuts off, gives its centroid alone.
    """
    moments, covariance, used, bounds, shifts = {}, {}, {}, set(), {}
    for k, plane in enumerate(planes):
        if plane not in profiles:
            continue
        profile = profiles[plane].in_plane_axes()
        if not usable(profile):
            continue
        whole = profile.use is Use.ALL
        moments[k] = np.nan_to_num(profile.moments)
        covariance[k] = _with_floors(profile)
        shifts[k] = profile.shifts
        used[k] = np.arange(2 if not whole else 9 if third else 5)
        if profile.use is Use.DIRECTION:
            bounds.add(k)
            moments[k] = _outward(moments[k])
    return Readings(
        np.asarray(positions, dtype=float), moments, covariance, used, frozenset(bounds), shifts
    )


def _outward(moments: Floats) -> Floats:
    """Move the centroid of a cut-off beam outwards by half the width of what is left of it."""
    size = float(np.hypot(*moments[:2]))
    out = moments.copy()
    if size > 0:
        out[:2] *= 1 + OUTWARD * float(sizes(moments)[0]) / size
    return out


def usable(profile: BeamProfile) -> bool:
    """Whether there is light in the frame that says anything of the beam."""
    m = profile.moments
    lit = profile.power > 3 * profile.power_uncertainty and m[2] + m[3] > 0
    return profile.use is not Use.NOTHING and bool(np.all(np.isfinite(m[:5]))) and bool(lit)


def _with_floors(profile: BeamProfile) -> Floats:
    scale = sizes(profile.moments)
    floors = np.array(FLOOR) * scale
    if profile.use is Use.DIRECTION:
        floors[:2] = CUT_OFF * 4 * scale[0]
    return np.nan_to_num(profile.covariance) + np.diag(floors**2)


def sizes(moments: Floats) -> Floats:
    """Return the beam's standard deviation to the order of each moment (..., 9)."""
    variance = np.maximum((moments[..., 2] + moments[..., 3]) / 2, 1e-12)
    orders = np.array([1, 1, 2, 2, 2, 3, 3, 3, 3])
    out: Floats = np.sqrt(variance)[..., None] ** orders
    return out


def fit(
    model: BenchModel,
    measurements: Sequence[Readings],
    start: Floats | None = None,
    prior: tuple[Floats, Floats] | None = None,
    position_sigma: Floats | None = None,
    wiring: Floats | None = None,
    rounds: int = ROUNDS,
    belief: float = 1.0,
) -> Fit:
    """Return the most probable unknowns.

    Parameters
    ----------
    measurements
        At least one reading.
    start
        (m,) where to begin; the prior's mean by default.
    prior
        Mean (m,) and precision root (m, m), U with UᵀU = inverse covariance; by default 0 and 1.
    position_sigma
        (axes,) standard uncertainty of a position, mm or rad.
    wiring
        (axes, axes) which commanded motion drives which axis; the identity by default.
    rounds
        Steps after which the search for the optimum ends.
    belief
        Weight of every frame until the first optimum is found, 0 to 1. A small one smooths the way
        to an optimum that is far away.
    """
    mean, precision = prior if prior is not None else (np.zeros(model.size), np.eye(model.size))
    sigma = np.zeros(len(model.axes)) if position_sigma is None else position_sigma
    problem = _Problem(model, measurements, mean, precision, sigma, wiring)
    phi = mean.copy() if start is None else start.copy()
    weights = dict.fromkeys(problem.blocks, belief)
    damping, seen = 1e-3, problem.predict(phi).derived()
    state = problem.linearise(seen, phi, weights)
    for _ in range(rounds):
        step = _damped(state.jacobian, state.residual, damping)
        ahead = problem.predict(phi + step)
        trial = None
        if problem.cost(ahead, phi + step, state) <= state.cost:
            ahead = ahead.derived()
            trial = problem.linearise(ahead, phi + step, weights)
        if trial is None or not math.isfinite(trial.cost):
            damping *= 10
            if damping > 1e6:
                break
            continue
        phi, seen, gain = phi + step, ahead, state.cost - trial.cost
        damping = max(damping / 10, 1e-9)
        settled = gain < SETTLED + RELATIVE * state.cost
        state = trial
        if settled:
            locked, weights = weights, problem.reweigh(seen)
            if all(abs(weights[b] / locked[b] - 1) < STEADY for b in weights):
                break
            state = problem.linearise(seen, phi, weights)
    plain = problem.linearise(seen, phi, problem.unrelieved(weights))
    root = np.linalg.inv(np.linalg.qr(state.jacobian, mode="r"))
    return Fit(phi, root, state.cost, plain.cost, problem.count, weights)


@dataclass(frozen=True, slots=True, eq=False)
class _FitState:
    """Whitened residuals, their derivatives, the cost; what whitens each that counts."""

    residual: Floats
    jacobian: Floats
    cost: float
    whiten: tuple[Floats, ...] = ()


class _Problem:
    """The stacked residuals of all measurements and of the prior."""

    def __init__(
        self,
        model: BenchModel,
        measurements: Sequence[Readings],
        mean: Floats,
        precision: Floats,
        sigma: Floats,
        wiring: Floats | None,
    ) -> None:
        self.model, self.measurements, self.mean, self.precision = (
            model,
            measurements,
            mean,
            precision,
        )
        self.sigma = sigma
        positions = np.array([look.positions for look in measurements])
        self.positions = positions if wiring is None else rewired(model, positions, wiring)
        self.blocks = [(i, k) for i, look in enumerate(measurements) for k in look.used]
        self.count = sum(look.count for look in measurements)

    def predict(self, phi: Floats) -> Prediction:
        """What should have been seen; derivatives are made only where a step is taken."""
        return self.model.predict(self.positions, phi)

    def cost(self, seen: Prediction, phi: Floats, state: _FitState) -> float:
        """The cost of ``phi``, with readings as sure as they are in ``state``."""
        out = float(np.sum((self.precision @ (phi - self.mean)) ** 2))
        lit = (i for i, look in enumerate(self.measurements) if look.used)
        for i, whiten in zip(lit, state.whiten, strict=True):
            look = self.measurements[i]
            gaps = [(k, (look.moments[k] - seen.moments[i, k])[used]) for k, used in _of(look)]
            white = whiten @ np.concatenate([_beyond(look, k, gap) @ gap for k, gap in gaps])
            out += float(white @ white)
        return out

    def linearise(
        self, seen: Prediction, phi: Floats, weights: dict[tuple[int, int], float]
    ) -> _FitState:
        """Residuals and derivatives, whitened; the prior's rows come last."""
        assert seen.jacobian is not None
        residuals, jacobians = [], []
        whiten: list[Floats] = []
        for i, look in enumerate(self.measurements):
            if not look.used:
                continue
            covariance = self._covariance(seen, i, weights)
            if not np.all(np.isfinite(covariance)):
                return _FitState(np.zeros(0), np.zeros((0, 0)), math.inf)
            inverse: Floats = np.asarray(np.linalg.inv(_root(covariance)), dtype=np.float64)
            whiten.append(inverse)
            gaps, slopes = [], []
            for k, used in _of(look):
                gap = (look.moments[k] - seen.moments[i, k])[used]
                still = _beyond(look, k, gap)
                gaps.append(still @ gap)
                slopes.append(still @ seen.jacobian[i, k][used])
            residuals.append(inverse @ np.concatenate(gaps))
            jacobians.append(-inverse @ np.concatenate(slopes))
        residuals.append(self.precision @ (phi - self.mean))
        jacobians.append(self.precision)
        residual = np.concatenate(residuals)
        jacobian = np.concatenate(jacobians)
        return _FitState(residual, jacobian, float(residual @ residual), tuple(whiten))

    def unrelieved(self, weights: dict[tuple[int, int], float]) -> dict[tuple[int, int], float]:
        """Weights for the misfit: 1, but of a cut-off beam no more than it is believed.

        Where the middle of such a beam lies is a guess, on which no suspicion may be built.
        """
        return {b: w if b[1] in self.measurements[b[0]].bounds else 1.0 for b, w in weights.items()}

    def reweigh(self, seen: Prediction) -> dict[tuple[int, int], float]:
        """How far each frame is believed, given how well it fits."""
        ones = dict.fromkeys(self.blocks, 1.0)
        new = {}
        for i, look in enumerate(self.measurements):
            covariance = self._covariance(seen, i, ones) if look.used else np.zeros((0, 0))
            at = 0
            for k, used in _of(look):
                gap = (look.moments[k] - seen.moments[i, k])[used]
                block = covariance[at : at + len(used), at : at + len(used)]
                at += len(used)
                new[i, k] = 1.0
                if np.all(np.isfinite(block)):
                    size = np.linalg.solve(_root(block), gap)
                    new[i, k] = min(1.0, (FREEDOM + len(used)) / (FREEDOM + float(size @ size)))
        return new

    @np.errstate(over="ignore", invalid="ignore")
    def _covariance(
        self, seen: Prediction, i: int, weights: dict[tuple[int, int], float]
    ) -> Floats:
        """Covariance of one measurement; not finite if the model has lost its light."""
        look = self.measurements[i]
        size = look.count
        out: Floats = np.zeros((size, size), dtype=np.float64)
        at = 0
        alike: dict[FlagKind, list[tuple[slice, Floats]]] = {}
        rows: list[Floats] = []
        shared: list[Floats] = []
        for k, used in _of(look):
            part = slice(at, at + len(used))
            out[part, part] = look.covariance[k][np.ix_(used, used)] / weights[i, k]
            at += len(used)
            for kind, shift in look.shifts.get(k, {}).items():
                alike.setdefault(kind, []).append((part, shift[used]))
            shared.append(np.diag(SHARED * sizes(look.moments[k]))[used])
            assert seen.motion is not None
            rows.append(seen.motion[i, k][used])
        if shared:
            common: Floats = np.concatenate(shared)
            out += common @ common.T
        for several in alike.values():
            for (one, a), (other, b) in itertools.permutations(several, 2):
                out[one, other] += np.outer(a, b)
        if rows:
            shake = np.concatenate(rows) * self.sigma
            out += shake @ shake.T
        return out


def _beyond(look: Readings, k: int, gap: Floats) -> Floats:
    """Projection (n, n) that lets a cut-off beam lie farther out than it appears, at no cost."""
    size = float(np.hypot(*look.moments[k][:2]))
    if k not in look.bounds or size == 0:
        return np.eye(len(gap))
    outward = look.moments[k][:2] / size
    return np.eye(2) - (np.outer(outward, outward) if outward @ gap < 0 else 0.0)


def _root(covariance: Floats) -> Floats:
    """Cholesky factor; a matrix that is singular in double precision is widened a little."""
    try:
        return np.asarray(np.linalg.cholesky(covariance), dtype=np.float64)
    except np.linalg.LinAlgError:
        extra = 1e-9 * np.abs(np.diag(covariance)) + 1e-300
        values, vectors = np.linalg.eigh(covariance + np.diag(extra))
        lifted: Floats = (vectors * np.maximum(values, values.max() * 1e-12)) @ vectors.T
        return np.linalg.cholesky(np.asarray(lifted + np.diag(extra), dtype=np.float64))


def _of(look: Readings) -> list[tuple[int, npt.NDArray[np.intp]]]:
    return list(look.used.items())


def rewired(model: BenchModel, positions: Floats, wiring: Floats) -> Floats:
    """Return the positions that the axes really have if ``wiring`` links commands to axes."""
    middle = np.array([(a.lower + a.upper) / 2 for a in model.axes])
    out: Floats = (positions - middle) @ wiring.T + middle
    return out


def _damped(jacobian: Floats, residual: Floats, damping: float) -> Floats:
    normal: Floats = np.asarray(jacobian.T @ jacobian, dtype=np.float64)
    normal[np.diag_indices_from(normal)] *= 1 + damping
    return np.asarray(-np.linalg.solve(normal, jacobian.T @ residual), dtype=np.float64)
