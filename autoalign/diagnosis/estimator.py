"""What is known of one bench so far: measurements, the fit to them, and where that says to go."""

from __future__ import annotations

import itertools
from collections.abc import Iterable, Iterator, Mapping, Sequence
from typing import Any, TypeVar

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile, moment_map
from autoalign.core.axes import Axis
from autoalign.core.findings import Finding, Severity
from autoalign.diagnosis.hypotheses import Hypothesis, of_axes, of_cameras
from autoalign.model.calibration import recall, remember
from autoalign.model.fit import ROUNDS, Fit, Readings, fit, readings_from_profiles, sizes
from autoalign.model.predict import BenchModel
from autoalign.model.target import SpecForecast, Target, aim
from autoalign.model.unknowns import position_sigma
from autoalign.model.wavefront_forecast import WavefrontEstimate, estimate
from autoalign.optics.layout import Layout
from autoalign.spec.terms import Spec

__all__ = ["Knowledge", "Mend", "mends"]

Floats = npt.NDArray[np.float64]

# What a measurement would be, were the cameras hung or connected as a hypothesis has it.
#
# Unlike a wrong wire of an axis, a wrong camera cannot be allowed for: the spec is judged by what
# the cameras say, so that the beam would be called in spec where it is not. It can only be named.

T = TypeVar("T")

STRETCHES = (0.88, 0.94, 1.0, 1.06, 1.12)
"""Tried around the ratio of pixel pitches that the widths suggest, were two cameras exchanged."""


class Mend:
    """Makes of a measurement what it would be: readings go ``to`` other planes, through ``maps``.

    ``maps`` (2, 2) by the plane's true index; both by index of the plane.
    """

    def __init__(self, maps: Mapping[int, Floats], to: Mapping[int, int] | None = None) -> None:
        self._maps = {k: moment_map(m) for k, m in maps.items()}
        self._to = dict(to or {})

    def __call__(self, look: Readings) -> Readings:
        """Return the mended measurement."""
        moments, covariance = self._moved(look.moments), self._moved(look.covariance)
        for k, wide in self._maps.items():
            if k in moments:
                moments[k] = wide @ moments[k]
                covariance[k] = wide @ covariance[k] @ wide.T
        bounds = frozenset(self._to.get(k, k) for k in look.bounds)
        return Readings(look.positions, moments, covariance, self._moved(look.used), bounds)

    def _moved(self, table: Mapping[int, T]) -> dict[int, T]:
        return dict(sorted((self._to.get(k, k), v) for k, v in table.items()))


def mends(
    hypothesis: Hypothesis, planes: Sequence[str], first: Readings, expected: Floats
) -> Iterator[Mend]:
    """Yield how measurements are mended under ``hypothesis``; several if it leaves a number open.

    ``first`` look and the moments (planes, 9) that are ``expected`` there tell the ratio of the
    pitches of exchanged cameras, which a measurement does not contain.
    """
    if hypothesis.exchanged is None:
        yield Mend({planes.index(p): np.asarray(t) for p, t in hypothesis.turns.items()})
        return
    a, b = (planes.index(p) for p in hypothesis.exchanged)
    if a not in first.moments or b not in first.moments:
        return
    seen = sizes(first.moments[a])[0] / sizes(first.moments[b])[0]
    ratio = float(np.sqrt(seen * sizes(expected[a])[0] / sizes(expected[b])[0]))
    for stretch in STRETCHES:
        q = ratio * stretch
        for flip in (1.0, -1.0):  # the two may be seen from opposite sides
            side = np.diag([flip, 1.0])
            yield Mend({a: q * side, b: side / q}, {a: b, b: a})


DOUBT = 5.0
"""Misfit, in standard deviations of χ², above which the model itself is in doubt."""
DOUBTS = 3
"""Number of measurements in doubt after which nothing else is suspected."""
ASIDE, BELIEF = (0.3, 0.6), 1e-3
"""A fit that has gone astray (to the other side of the focus, say) begins anew with one axis this
much aside, in standard uncertainties, and with frames believed only this much at first."""
SIDEWAYS = tuple(s * t for t in (0.25, 0.5, 0.75, 1.0, 1.5, 2.0) for s in (1, -1))
"""How far aside one axis is tried, in standard uncertainties, for a beam that is turned over."""
RIVALS = 1
"""Number of such places to begin from: those where the beam is most like itself upside down."""
BRIEF = 12
"""Steps of a fit that tries a suspicion."""
GLANCE = 3
"""Steps of a fit that only puts suspicions in order."""
LIKELY = 3
"""Number of suspicions that are fitted in full: the best after one step."""

MOST_LOOKS = 24
"""Older measurements are forgotten, so that time and memory per measurement stay bounded."""
LARGE_DRIFT = {"drift_shift": 2.0, "drift_turn": 0.015, "drift_calibration": 0.5}
"""Tried where the usual drift does not explain the first measurement."""


class Knowledge:
    """The fit of one bench, measurements added one by one.

    Parameters
    ----------
    layout, axes, spec
        Nominal geometry, the axes that move (in the order of the positions), what is wanted.
    priors
        Standard uncertainties that replace the defaults, by name (``Bench.uncertainties``).
    calibration
        What :meth:`calibration` gave last time, or None.
    """

    def __init__(
        self,
        layout: Layout,
        axes: Sequence[Axis],
        spec: Spec,
        priors: Mapping[str, float] | None = None,
        calibration: Any = None,
    ) -> None:
        self.model = BenchModel(layout, axes, priors)
        self.spec = spec
        self.measurements: list[Readings] = []
        self.fit: Fit | None = None
        self.wire: Hypothesis | None = None
        self.camera: Hypothesis | None = None
        self._doubts = 0
        self.inconsistent = False
        self._calibration, self._priors = calibration, dict(priors or {})
        self.prior, self.remark = recall(self.model, calibration, priors)
        self._foresight = SpecForecast(self.model, spec)
        self._sigma = np.array([position_sigma(a) for a in axes])
        self._latest: list[tuple[Floats, dict[str, BeamProfile], dict[str, Any]]] = []
        self._lower = np.array([a.reachable[0] for a in axes])
        self._upper = np.array([a.reachable[1] for a in axes])

    @property
    def wiring(self) -> Floats | None:
        """How commands reach the axes, where that is not as the layout says."""
        return None if self.wire is None else self.wire.wiring

    @property
    def findings(self) -> tuple[Finding, ...]:
        """What is wrong with the bench, as far as what was measured says so."""
        if self.camera is not None:
            return (*self.camera.findings, Finding("cameras-distrusted", severity=Severity.VETO))
        if self.wire is not None and not self.inconsistent:
            return self.wire.findings
        return (Finding("layout-does-not-fit"),) if self.inconsistent else ()

    @property
    def refusal(self) -> str:
        """Why the memory is not used, in words; "" where it is, or where there was none."""
        return self.remark if self.prior is None and self._calibration is not None else ""

    def learn(self, positions: Floats, profiles: Mapping[str, BeamProfile]) -> bool:
        """Add what was measured at ``positions``; False where nothing in it could be used."""
        look = readings_from_profiles(self.model.planes, positions, dict(profiles))
        if not look.count:
            return False
        if not self._taken_over(positions, profiles):
            self._take_in(look)
            self._latest[:] = [(positions.copy(), dict(profiles), dict(self.__dict__))]
        return True

    def _taken_over(self, positions: Floats, profiles: Mapping[str, BeamProfile]) -> bool:
        """Whether a copy of this, which began from here, has learnt of this; if so, take over
        what it found."""
        for place, seen, state in self._latest:
            same = seen.keys() == profiles.keys() and all(seen[p] is profiles[p] for p in seen)
            began = (
                state["measurements"][:-1] == self.measurements[-MOST_LOOKS + 1 :]
            )  # the very same measurements
            if same and began and np.array_equal(place, positions):
                self.__dict__.update(state)
                return True
        return False

    def _take_in(self, look: Readings) -> None:
        self.measurements = [*self.measurements[-MOST_LOOKS + 1 :], look]
        self.fit = self._fit(None if self.fit is None else self.fit.phi, self.wiring)
        if self.prior is not None and len(self.measurements) == 1 and self.fit.excess > DOUBT:
            self._trust_calibration_less()
        if self.fit.excess > DOUBT and len(self.measurements) == 1:
            self._begin_anew()
        if len(self.measurements) == 1:
            self._turn_over()
        if self.fit.excess > DOUBT:
            self._doubt()

    def aim(self, here: Floats) -> Target:
        """Return where to go from ``here``."""
        if self.fit is None:
            raise ValueError("nothing has been learnt yet")
        return aim(self._foresight, self.fit.phi, self.fit.root, here, self._lower, self._upper)

    def turned(self, here: Floats) -> bool:
        """Whether what is known says that the beam goes through a focus where it should not.

        False where the measurements do not fit the layout: then nothing of the kind is known.
        """
        if self.fit is None or self.fit.excess > DOUBT:
            return False
        return self._foresight.turned(here, self.fit.phi)

    def wavefront(self, here: Floats) -> WavefrontEstimate | None:
        """Return what is known of the wavefront with the axes at ``here`` (axes,).

        None where the measurements do not fit the layout, for a bench of flat mirrors alone, and
        where cameras are in doubt.
        """
        forecast = self._foresight.wavefront
        if self.fit is None or forecast is None or self.camera is not None:
            return None
        if self.fit.excess > DOUBT:
            return None
        return estimate(forecast, forecast.at(here, self.fit.phi), self.fit.root)

    def slopes(self, here: Floats) -> Floats:
        """Return the model's response (residuals, axes) of the spec at ``here``."""
        phi = np.zeros(self.model.size) if self.fit is None else self.fit.phi
        return self._foresight.at(here, phi).by_axis

    def calibration(self) -> dict[str, Any] | None:
        """Return what to keep, or None where nothing trustworthy is known."""
        if self.fit is None or self.wire or self.camera or self.inconsistent:
            return None
        return remember(self.model, self.fit)

    def _fit(self, start: Floats | None, wiring: Floats | None, rounds: int = ROUNDS) -> Fit:
        return fit(self.model, self.measurements, start, self.prior, self._sigma, wiring, rounds)

    def _trust_calibration_less(self) -> None:
        """Allow for a large drift; where even that does not explain the measurement, forget."""
        self.prior, _ = recall(self.model, self._calibration, {**self._priors, **LARGE_DRIFT})
        self.remark = "parts have moved a lot since the calibration was saved"
        self.fit = self._fit(None, self.wiring)
        if self.fit.excess > DOUBT:
            self.prior, self.remark = (
                None,
                "the calibration contradicts the first measurement; not used",
            )
            self.fit = self._fit(None, self.wiring)

    def _begin_anew(self) -> None:
        """Fit again from either side of each axis, until the measurement is explained."""
        assert self.fit is not None
        places = [self.model.unknowns.block(a.name, "offset").start for a in self.model.axes]
        for aside, place, side in itertools.product(ASIDE, places, (1, -1)):
            start = self._expected()
            start[place] += side * aside
            tried = fit(
                self.model,
                self.measurements,
                start,
                self.prior,
                self._sigma,
                self.wiring,
                belief=BELIEF,
            )
            if tried.misfit < self.fit.misfit:
                self.fit = tried
            if self.fit.excess <= DOUBT:
                return

    def _expected(self) -> Floats:
        """Return the unknowns (unknowns,) as they are expected before anything is seen."""
        return np.zeros(self.model.size) if self.prior is None else self.prior[0].copy()

    def _turn_over(self) -> None:
        """See whether the measurement is explained better by a beam turned over between the planes.

        Or by one that is not, where the fit has it turned over. Widths alone leave either open.
        """
        assert self.fit is not None
        model, expected = self.model, self._expected()
        places = [model.unknowns.block(a.name, "offset").start for a in model.axes]
        sigma = model.unknowns.sigma[places]
        here = self.measurements[0].positions
        aside = np.concatenate([np.diag(t * sigma) for t in SIDEWAYS])
        now = model.upright(here, self.fit.phi)[0].mean()
        upright = model.upright(here + aside, expected).mean(axis=1)
        other = np.flatnonzero(upright * now < 0)
        for k in other[np.argsort(np.abs(upright[other] + now))][:RIVALS]:
            start = expected.copy()
            start[places] += aside[k] / sigma
            tried = self._fit(start, self.wiring)
            if tried.misfit < self.fit.misfit:
                self.fit = tried

    def _doubt(self) -> None:
        """See whether one wrong wire or camera explains what was measured; else trust it less."""
        assert self.fit is not None
        self._doubts += 1
        best, found = self.fit, self.wire
        if sum(1 for look in self.measurements if look.count > 4) > 1 and self._doubts <= DOUBTS:
            for wire, start in self._likely_wires():
                tried = self._fit(start, wire.wiring, BRIEF)
                if tried.misfit + wire.cost < best.misfit:
                    best, found = tried, wire
            self.camera = self._doubt_cameras(best)
        if found is not self.wire and self.camera is None:
            self.wire = found
            self.fit = self._fit(best.phi, self.wiring)
            self._foresight = SpecForecast(self.model, self.spec, self.wiring)
        self.inconsistent = self.fit.excess > 2 * DOUBT

    def _likely_wires(self) -> list[tuple[Hypothesis, Floats]]:
        """Return the wrong wires that fit best after one step, with the unknowns it ends at.

        Each starts from what the first measurement alone says: with its own wires that measurement
        is the same.
        """
        first = fit(self.model, self.measurements[:1], None, self.prior, self._sigma).phi
        away = self.measurements[0].positions - self._foresight.middle
        places = [self.model.unknowns.block(a.name, "offset").start for a in self.model.axes]
        tried = []
        for wire in of_axes(self.model.axes):
            start = first.copy()
            assert wire.wiring is not None
            start[places] += (away - wire.wiring @ away) / self.model.unknowns.sigma[places]
            found = self._fit(start, wire.wiring, 1)
            tried.append((found.misfit, wire, found.phi))
        return [t[1:] for t in sorted(tried, key=lambda t: t[0])[:LIKELY]]

    def _doubt_cameras(self, best: Fit) -> Hypothesis | None:
        """Return the wrong camera that explains the measurements better than ``best``, if any."""
        if best.excess < 2 * DOUBT:
            return None
        expected = self.model.predict(
            self.measurements[0].positions, np.zeros(self.model.size)
        ).moments[0]
        found = None
        # What is less likely is asked for only where nothing likelier explains the measurements.
        for _, alike in itertools.groupby(of_cameras(self.model.planes), key=lambda h: h.cost):
            found = found or self._best_camera(alike, best, expected)
        return found

    def _best_camera(
        self, cameras: Iterable[Hypothesis], best: Fit, expected: Floats
    ) -> Hypothesis | None:
        tried = []
        for camera in cameras:
            for mend in mends(camera, self.model.planes, self.measurements[0], expected):
                mended = [mend(look) for look in self.measurements]
                tried.append((self._explain(mended, None, GLANCE), camera, mended))
        found, least = None, best.misfit
        likely = sorted(tried, key=lambda t: t[0].misfit + t[1].cost)[:LIKELY]
        for glance, camera, mended in likely:
            full = self._explain(mended, glance.phi, BRIEF)
            # What explains little better than nothing is no reason to name a camera.
            if full.misfit + camera.cost < least and full.excess <= 2 * DOUBT:
                least, found = full.misfit + camera.cost, camera
        return found

    def _explain(self, measurements: Sequence[Readings], start: Floats | None, rounds: int) -> Fit:
        return fit(self.model, measurements, start, self.prior, self._sigma, rounds=rounds)
