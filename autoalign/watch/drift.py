"""Where the beam truly is and where it is heading, from a sequence of noisy measurements.

For each quantity that the spec needs, a bank of Kalman filters follows a level and a drift rate.
The filters differ in how strongly they let the bench drift; each is weighted by how well it has
predicted what was measured, so that a bench at rest is averaged over hours and a drifting one is
followed (Y. Bar-Shalom, X. R. Li, T. Kirubarajan, Estimation with Applications to Tracking and
Navigation, 2001, chapter 11, multiple-model estimation, from memory). The drift rate of a filter is
an Ornstein–Uhlenbeck process, and its level the integral of it plus a random walk.

Only what differs from one measurement to the next is noise here. What is the same in all of them (a
camera's pixel pitch, a fiducial) does not average out, and no measurement can tell it.
"""

from __future__ import annotations

import math
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.spec.terms import Spec
from autoalign.strategies.base import Measurement

__all__ = ["SURPRISE", "Drift", "Outlook", "noise_of"]

Floats = npt.NDArray[np.float64]

_STRENGTHS = np.array([0.02, 0.3, 3.0, 30.0])[:, None]
"""Standard deviation of the drift rate of each filter, tolerances a day."""
_EXPECTED = np.array([0.4, 0.4, 0.19, 0.01])[:, None]
"""Weight of each filter before anything was measured: most benches drift slowly."""
_MEMORY = 6 * 3600.0
"""Time in which a drift rate is forgotten, s: half a day's cycle of heating and of tides of air."""
_WALK = 0.1
"""Random walk of the level in tolerances per square root of a day, as a part of the strength."""
_DAY = 86400.0
_LEAST_WEIGHT = 1e-3
"""Every filter keeps this weight, so that the bench may change its ways."""
_FORGET = 0.995
"""Power that old weights are raised to at each measurement."""
SURPRISE = 5.0
"""Standard deviations beyond which a measurement is a change of level, not noise: by chance once in
1.7 million (two-sided tail of a normal distribution)."""
_UNKNOWN = 1e6
"""Variance of a level of which nothing is known, tolerances²."""
_SCATTER_MEMORY = 64.0
"""Measurements over which the real scatter is compared with the stated noise."""
_SETTLED = 0.4
"""Part of the uncertainty to come below which the one of this moment hardly matters."""
_NEAR = 3.0
"""Tolerances up to which what was learnt holds in spec as well."""
_LEAST_NOISE = 1e-3
"""Smallest noise of a measurement that is believed, tolerances."""


@dataclass(frozen=True, slots=True)
class Outlook:
    """How likely the beam is out of spec, now and at the next measurement, whichever is more.

    ``term`` is the one that is worst, ``share`` where it is expected then in units of its
    tolerance, with the standard uncertainty ``sigma``, and ``sigma_now`` at this moment; ``rate``
    of the quantity that drifts most, tolerances an hour.
    """

    probability: float
    term: str
    share: float
    sigma: float
    rate: float
    sigma_now: float = 0.0

    @property
    def of_drift(self) -> bool:
        """Whether it is the drift, not the noise, that keeps the outlook open.

        More exposures at once do not help then; a measurement some time later does.
        """
        return self.sigma_now < _SETTLED * self.sigma


@dataclass(frozen=True, slots=True, eq=False)
class Drift:
    """What is known of level and drift rate of each quantity; never changed in place.

    ``names`` (q,) and ``scale`` (q,), the change of each quantity that is worth a tolerance;
    ``weight``, ``level``, ``rate`` (m, q) of the m filters, in tolerances and tolerances/s, and the
    covariances ``ll``, ``lr``, ``rr`` (m, q); ``seen`` measurements since the level was last
    unknown; ``scatter`` (q,), variance of what is measured as a multiple of what is stated, at
    least 1.
    """

    names: tuple[str, ...]
    scale: Floats
    time: float
    weight: Floats
    level: Floats
    rate: Floats
    ll: Floats
    lr: Floats
    rr: Floats
    seen: int = 0
    scatter: Floats = field(default_factory=lambda: np.ones(1))

    @classmethod
    def begin(cls, spec: Spec, parameters: BeamParameters, time: float) -> Drift:
        """Return the state of knowledge before anything was measured."""
        names = spec.quantities
        values, covariance = parameters.pick(names)
        steps = np.maximum(1e-6 * np.abs(values), np.sqrt(np.diag(covariance)))
        steps = np.where(steps > 0, steps, 1e-9)
        terms = spec.evaluate(parameters).terms
        weights = np.repeat([t.weight for t in terms], [t.components.size for t in terms])
        each = spec.slopes(parameters, steps) / np.sqrt(weights)[:, None]
        slopes = np.max(np.abs(each), axis=0)
        scale = 1 / np.maximum(slopes, 1e-6 / np.maximum(np.abs(values), steps))
        shape = (len(_STRENGTHS), len(names))
        zero = np.zeros(shape)
        return cls(
            names, scale, time, np.broadcast_to(_EXPECTED, shape), zero, zero,
            np.full(shape, _UNKNOWN), zero, zero + (_STRENGTHS / _DAY) ** 2,
        )  # fmt: skip

    def learn(self, measured: Measurement, time: float) -> tuple[Drift, float]:
        """Return what is known after a measurement, and by how much that came as a surprise.

        The surprise is in standard deviations of what was expected, 0 where nothing was; beyond
        :data:`SURPRISE` the level has changed, and counts as unknown before this measurement.
        ``measured`` must have parameters.
        """
        values, covariance = _repeated(measured).pick(self.names)
        z = values / self.scale
        stated = np.maximum(np.diag(covariance) / self.scale**2, _LEAST_NOISE**2)
        then = self._at(time)
        mean, spread = then._mixed()
        off = (z - mean) / np.sqrt(spread + stated * then.scatter)
        surprise = float(np.max(np.abs(off))) if self.seen else 0.0
        if surprise > SURPRISE:
            then = then.without_level()
        return then._updated(z, stated), surprise

    def without_level(self) -> Drift:
        """Return it after a move or a knock: the level is unknown, the drift goes on."""
        full = np.full_like(self.level, _UNKNOWN)
        return replace(self, ll=full, lr=np.zeros_like(self.lr), seen=0)

    def after_move(self, left: float) -> Drift | None:
        """Return what is still known after a move away from ``left`` tolerances; None for nothing.

        Far from the spec noise and slopes are others than in it, so that nothing was learnt there.
        """
        return self.without_level() if left < _NEAR else None

    def outlook(self, spec: Spec, like: BeamParameters, ahead: float) -> Outlook:
        """Return how likely the beam is out of ``spec`` now or ``ahead`` s later.

        ``like`` gives what the terms need besides the quantities: the planes and their distances.
        """
        now, later = (self._outlook(spec, like, t) for t in (0.0, ahead))
        worst = now if now.probability >= later.probability else later
        return replace(worst, sigma_now=now.sigma)

    def _outlook(self, spec: Spec, like: BeamParameters, ahead: float) -> Outlook:
        mean, spread = self._at(self.time + ahead)._mixed()
        expected = replace(
            like,
            names=self.names,
            values=mean * self.scale,
            covariance=np.diag(spread * self.scale**2),
        )
        rate = float(np.max(np.abs(np.sum(self.weight * self.rate, axis=0))))
        found = []
        for term in spec.evaluate(expected).terms:
            share, u = abs(term.deviation) / term.tolerance, term.uncertainty / term.tolerance
            u = max(u, _LEAST_NOISE)
            out = _above((1 - share) / u) + _above((1 + share) / u)
            found.append(Outlook(min(out, 1.0), term.name, share, u, rate * 3600))
        return max(found, key=lambda o: (o.probability, o.share))

    def _at(self, time: float) -> Drift:
        """Return the prediction for ``time``, s."""
        dt = max(time - self.time, 0.0)
        keep = math.exp(-dt / _MEMORY)
        reach = _MEMORY * (1 - keep)
        s2 = (_STRENGTHS / _DAY) ** 2
        x = dt / _MEMORY
        # The bracket is 2x³/3 for small x, where its terms cancel.
        grown = 2 * x**3 / 3 if x < 1e-3 else 2 * x - 3 + 4 * keep - keep**2
        walked = (_WALK * _STRENGTHS) ** 2 * dt / _DAY
        return replace(
            self,
            time=time,
            level=self.level + reach * self.rate,
            rate=keep * self.rate,
            ll=self.ll + 2 * reach * self.lr + reach**2 * self.rr
            + s2 * _MEMORY**2 * grown + walked,
            lr=keep * (self.lr + reach * self.rr) + s2 * _MEMORY * (1 - keep) ** 2,
            rr=keep**2 * self.rr + s2 * (1 - keep**2),
        )  # fmt: skip

    def _mixed(self) -> tuple[Floats, Floats]:
        """Return mean and variance of each level over all filters, tolerances."""
        mean = np.sum(self.weight * self.level, axis=0)
        return mean, np.sum(self.weight * (self.ll + (self.level - mean) ** 2), axis=0)

    def _updated(self, z: Floats, stated: Floats) -> Drift:
        off = z - self.level
        total = self.ll + stated * self.scatter
        gain, gain_rate = self.ll / total, self.lr / total
        scatter, weight = self.scatter, self.weight
        if self.seen:  # before that every filter says the same: nothing
            squared = off**2 / total
            likely = np.exp(-(squared - squared.min(axis=0)) / 2) / np.sqrt(total)
            weight = weight**_FORGET * likely
            weight = np.maximum(weight / weight.sum(axis=0), _LEAST_WEIGHT)
            weight = weight / weight.sum(axis=0)
            excess = np.minimum(np.sum(weight * squared, axis=0) - 1, 8.0)
            scatter = np.clip(scatter * (1 + excess / _SCATTER_MEMORY), 1.0, 100.0)
        return replace(
            self,
            weight=weight,
            level=self.level + gain * off,
            rate=self.rate + gain_rate * off,
            ll=(1 - gain) * self.ll,
            lr=(1 - gain) * self.lr,
            rr=self.rr - gain_rate * self.lr,
            seen=self.seen + 1,
            scatter=scatter,
        )


def noise_of(measured: Measurement, spec: Spec, frames: int) -> float:
    """Return the noise of one exposure of ``frames`` averaged ones, of the worst term, tolerances.

    Only what differs from one measurement to the next counts.
    """
    terms = spec.evaluate(_repeated(measured)).terms
    return max(t.uncertainty / t.tolerance for t in terms) * math.sqrt(frames)


def _repeated(measured: Measurement) -> BeamParameters:
    """Return the parameters with the covariance of what differs between measurements."""
    found = measured.repeated or measured.parameters
    assert found is not None
    return found


def _above(x: float) -> float:
    """Return how likely a standard normal number is above ``x``."""
    return math.erfc(x / math.sqrt(2)) / 2
