"""The physics model derives the misalignment from the measurements, and moves once.

Each step: fit the model to all measurements so far, and go where the spec should be met. If one
wiring error explains the measurements better, it says so and allows for it; if nothing does, it
falls back on the response that the measurements themselves show.
"""

from __future__ import annotations

import copy
import math
from collections.abc import Generator, Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import FlagKind
from autoalign.core.errors import AlignError, MissingNeedError
from autoalign.core.findings import Amount, Finding
from autoalign.diagnosis.estimator import DOUBT, Knowledge
from autoalign.model.bounded import bounded_least_squares
from autoalign.model.fit import usable
from autoalign.model.predict import BenchModel
from autoalign.model.target import Target
from autoalign.strategies.base import Measurement, Need, Problem, Strategy

__all__ = ["Model", "knowledge_of", "search_positions"]

Floats = npt.NDArray[np.float64]

# Finding a beam that no detector sees: every direction the axes can reach, likeliest first.
#
# The prior of the unknowns says where on the first plane the beam may be. That region is covered
# by a hexagonal net of displacements, as fine as the beam is wide (a partly visible beam is
# enough), in the order of their likelihood; the number of measurements is known before the first
# of them.

REACH = 3.5
"""How far to search, in standard deviations of the prior."""
FINENESS = 0.7
"""Step of the net in units of the beam's width."""
MOST = 400


def search_positions(model: BenchModel, here: Floats, lower: Floats, upper: Floats) -> Floats:
    """Return the positions (n, axes) to measure at, likeliest first; their number is the bound.

    Each is the one nearest to ``here`` (axes weighed by their reach) that displaces the beam on the
    plane closest to the optics by one knot of the net. Knots out of reach are left out.
    """
    phi = np.zeros(model.size)
    near = int(np.argmin([p.distance for p in model.layout.planes]))
    seen = model.predict(here[None], phi, derivatives=True)
    assert seen.jacobian is not None
    assert seen.motion is not None
    spread = seen.jacobian[0, near, :2]
    covariance = spread @ spread.T
    width = 4 * math.sqrt(max(float(seen.moments[0, near, 2:4].mean()), 1e-12))
    reach = np.minimum(np.abs(upper - here), np.abs(here - lower)) + (upper - lower) / 10
    response = seen.motion[0, near, :2] * reach
    inverse = np.linalg.pinv(response)
    knots = _net(covariance, FINENESS * width)
    positions = here - (inverse @ knots.T).T * reach
    inside = np.all((positions >= lower) & (positions <= upper), axis=1)
    return positions[inside][:MOST]


def _net(covariance: Floats, step: float) -> Floats:
    """Hexagonal net (n, 2) over the likely displacements, likeliest first, without the middle."""
    values, vectors = np.linalg.eigh(covariance)
    far = REACH * np.sqrt(np.maximum(values, 0.0))
    count = min(math.ceil(float(far.max()) / step) + 1, 60)
    k = np.arange(-2 * count, 2 * count + 1)
    i, j = np.meshgrid(k, k)
    knots = step * np.stack([(i + j / 2).ravel(), (j * math.sqrt(0.75)).ravel()], axis=1)
    distance = np.sum((knots @ vectors) ** 2 / np.maximum(values, (step / 4) ** 2), axis=1)
    keep = (distance <= REACH**2) & (distance > 1e-9)
    if not keep.any():
        keep = (np.hypot(*knots.T) < 1.1 * step) & (distance > 1e-9)
    order = np.argsort(distance[keep], kind="stable")
    out: Floats = knots[keep][order]
    return out


Steps = Generator[Sequence[float] | Floats, Measurement, Measurement | None]

PATIENCE = 4
"""Measurements without a better merit before the strategy gives up."""


BLIND = 8
"""Measurements in a row, with some light but too little to judge the spec, before it gives up."""
NO_GAIN = 0.7
"""Merit over the present one, from which the plain response expects no gain of a move."""
FEELERS = 2
"""Small motions made where the model cannot explain the measurements, or expects no light."""


def knowledge_of(strategy: Strategy | None, problem: Problem) -> Knowledge:
    """Return what ``strategy`` knows of the bench, to add to; else what the bench file says."""
    known = strategy.knowledge if isinstance(strategy, Model) else None
    if known is not None and known.fit is not None:
        return copy.copy(known)
    if problem.layout is None:
        raise MissingNeedError("what is known of a bench needs its layout; give one.")
    return Knowledge(
        problem.layout, problem.axes, problem.spec, problem.uncertainties, problem.calibration
    )


class Model(Strategy):
    """Alignment in about three measurements; needs the bench's layout.

    ``calibration`` is None until something trustworthy is known. ``bound`` is how many places a
    search for a lost beam may take, stated before the first of them; None where none was needed.
    """

    name = "model"
    needs = frozenset({Need.LAYOUT})
    centres = True
    remembers = True

    def __init__(self) -> None:
        self.knowledge: Knowledge | None = None
        self.bound: int | None = None

    def propose(self, problem: Problem) -> Generator[Sequence[float] | Floats, Measurement, None]:
        """Yield positions; see :class:`~autoalign.strategies.base.Strategy`."""
        if problem.layout is None:
            raise MissingNeedError("strategy model needs the layout of the bench; give one.")
        know = Knowledge(
            problem.layout, problem.axes, problem.spec, problem.uncertainties, problem.calibration
        )
        self.knowledge, self.findings, self.calibration, self.bound = know, (), None, None
        self.calibration_refused = know.refusal
        course = _Course(problem, know)
        seen: Measurement | None = problem.first
        while seen is not None:
            if not know.learn(seen.positions, seen.profiles):
                seen = yield from self._find(course)
                continue
            self._keep(know)
            target = course.next(seen)
            self._say(know, seen)
            if target is None:
                return
            self.note = course.note
            seen = yield target

    def conclude(self, seen: Measurement) -> None:
        """Learn from the measurement that found the beam in spec, for next time."""
        know = self.knowledge
        if know is not None and know.learn(seen.positions, seen.profiles):
            self._keep(know)
            self._say(know, seen)

    def _keep(self, know: Knowledge) -> None:
        """Keep what is known now; nothing at all once the cameras are in doubt."""
        self.calibration = (
            None if know.camera is not None else know.calibration() or self.calibration
        )

    def _say(self, know: Knowledge, seen: Measurement) -> None:
        self.findings, self.calibration_refused = (
            tuple(_of_light(f, seen) for f in know.findings),
            know.refusal,
        )
        self.distrusts = know.camera is not None

    def _find(self, course: _Course) -> Steps:
        """Get light back: towards the last place that had some, else through the whole reach."""
        dark = course.here
        course.losses += 1
        if course.lit is not None and course.losses <= PATIENCE:
            for part in (0.5, 0.8, 1.0):
                self.note = "no light; back towards the last position with light"
                seen = yield dark + part * (course.lit - dark)
                course.here = seen.positions
                if _lit(seen):
                    return seen
        places = course.places()
        self.bound = len(places)
        self.findings = (Finding("no-light-searching", "", {"places": Amount(self.bound)}),)
        while course.searched < self.bound:
            place, course.searched = places[course.searched], course.searched + 1
            self.note = f"no light; search {course.searched} of at most {self.bound}"
            seen = yield place
            course.here = seen.positions
            if _lit(seen):
                return seen
        self.findings = (Finding("no-light", "", {"places": Amount(course.searched)}),)
        return None


class _Course:
    """Where to go after each measurement, and when to stop trusting the model."""

    def __init__(self, problem: Problem, know: Knowledge) -> None:
        self.problem, self.know = problem, know
        self.here = problem.start
        self.lit: Floats | None = None
        self.note = "measurement"
        self.judged: list[Measurement] = []
        self.idle = self.blind = self.losses = self.searched = self.felt = 0
        self.still = 0
        self._places: list[Floats] | None = None
        self._foreseen: tuple[Floats, Floats] | None = None

    def places(self) -> list[Floats]:
        """Where to search for a lost beam, likeliest first; fixed when the search begins."""
        if self._places is None:
            low, high = self.problem.lower, self.problem.upper
            self._places = list(search_positions(self.know.model, self.here, low, high))
        return self._places

    def next(self, seen: Measurement) -> Floats | None:
        """Return the next position, or None to give up."""
        self.here = self.lit = seen.positions
        if seen.verdict is not None:
            better = not self.judged or seen.expected < 0.9 * min(o.expected for o in self.judged)
            self.judged.append(seen)
            self.idle = 0 if better else self.idle + 1
        self.blind = 0 if seen.verdict is not None else self.blind + 1
        if self.idle > PATIENCE or self.blind > BLIND or self.know.camera is not None:
            return None
        if self.know.inconsistent and len(self.know.measurements) == 1:
            return self._feel(seen.positions)
        if self._response_foretold(seen) or (self.idle > 1 and self.know.inconsistent):
            return self._by_response()
        return self._modelled(seen)

    def _modelled(self, seen: Measurement) -> Floats | None:
        """Return where the model says to go, unless something speaks against it."""
        try:
            step = self.know.aim(seen.positions)
        except AlignError:  # the fit has gone where there is no beam
            self.know.inconsistent = True
            return self._feel(seen.positions)
        if self._nothing_left(seen, step.position):
            return None
        self._foresee(seen, step)
        if self._unwarranted(seen):
            return self._by_response()
        self.note = f"model: in spec expected with a probability of {100 * step.chance:.0f} %"
        if step.shortened < 1:
            self.note += f", step shortened to {100 * step.shortened:.0f} %"
        return step.position

    @property
    def _unexplained(self) -> bool:
        """Whether the fit leaves of the measurements what is not their noise."""
        return self.know.fit is not None and self.know.fit.excess > DOUBT

    def _foresee(self, seen: Measurement, step: Target) -> None:
        """Note what model and plain response say of the next measurement."""
        self._foreseen = None
        if seen.verdict is None or len(step.forecast.residual) != len(seen.verdict.residuals):
            return
        plain = seen.verdict.residuals + self.know.slopes(seen.positions) @ (
            step.position - seen.positions
        )
        self._foreseen = (step.forecast.residual, plain)

    def _response_foretold(self, seen: Measurement) -> bool:
        """Whether the plain response foretold what is ``seen`` and the model, which fits badly, did
        not.
        """
        foreseen, self._foreseen = self._foreseen, None
        if foreseen is None or seen.verdict is None or not self._unexplained:
            return False
        model, plain = (_rms(seen.verdict.residuals - f) for f in foreseen)
        return model > max(1.0, 3 * seen.noise) and plain < model / 2

    def _unwarranted(self, seen: Measurement) -> bool:
        """Whether a badly fitting model wants to go where the plain response expects no gain."""
        if self._foreseen is None or seen.verdict is None or not self._unexplained:
            return False
        return _rms(self._foreseen[1]) > max(1.0, NO_GAIN * seen.merit)

    def _nothing_left(self, seen: Measurement, target: Floats) -> bool:
        """Whether no move and no further measurement shows the beam to be any better.

        Because what is not known of it is alike in every frame (saturation, or a camera's roll),
        and it is where it should be, or within a doubt in which nothing is ever in spec.
        """
        near = np.array([a.arrival_tolerance + a.resolution for a in self.problem.axes])
        stays = bool(np.all(np.abs(target - seen.positions) <= 2 * near))
        doubt = math.sqrt(max(seen.expected**2 - seen.merit**2, 0.0)) if seen.ok else 0.0
        terms = () if seen.verdict is None else seen.verdict.terms
        hidden = all(abs(t.deviation) <= t.tolerance for t in terms) and any(
            self.problem.spec.guard * t.uncertainty > t.tolerance for t in terms
        )
        self.still = self.still + 1 if (stays or hidden) and doubt > 2 * seen.noise else 0
        return self.still > 1

    def _feel(self, here: Floats) -> Floats | None:
        """Propose a small motion of every axis, which shows what is wrong; at most two."""
        if self.felt >= FEELERS:
            return None
        self.felt += 1
        self.note = (
            "the model does not explain the measurements; a small motion of every axis shows more"
        )
        middle = (self.problem.lower + self.problem.upper) / 2
        return self.problem.clip(here + np.where(here > middle, -0.5, 0.5) * self.problem.scale)

    def _by_response(self) -> Floats:
        """One damped step with the model's response, corrected by the measurements."""
        self.note = "measured response; the model does not fit"
        best = min(self.judged, key=lambda o: o.expected)
        scale = self.problem.scale
        scaled = self.know.slopes(best.positions) * scale
        for a, b in zip(self.judged, self.judged[1:], strict=False):
            move, change = (b.positions - a.positions) / scale, _change(a, b)
            if _rms(change) > 3 * math.hypot(a.noise, b.noise):
                scaled = _corrected(scaled, move, change)
        assert best.verdict is not None
        damping = 0.05 * np.linalg.norm(scaled) * np.eye(len(scale))
        rows = np.concatenate([scaled, damping])
        goal = np.concatenate([-best.verdict.residuals, np.zeros(len(scale))])
        low, high = ((b - best.positions) / scale for b in (self.problem.lower, self.problem.upper))
        step = bounded_least_squares(rows, goal, low, high) * scale
        return self.problem.clip(best.positions + step)


UNEVEN = (FlagKind.CLIPPED_BY_APERTURE, FlagKind.NICKED, FlagKind.TWO_SPOTS, FlagKind.RING)
"""Light that the model does not describe."""


def _of_light(finding: Finding, seen: Measurement) -> Finding:
    """Return ``finding``, with what is uneven in the light where the layout is said not to fit."""
    kinds = [k for k in UNEVEN if any(k in p.flags for p in seen.profiles.values())]
    if finding.code != "layout-does-not-fit" or not kinds:
        return finding
    return replace(finding, details={**finding.details, "light": ", ".join(kinds)})


def _rms(values: Floats) -> float:
    return math.sqrt(float(np.mean(np.square(values))))


def _lit(seen: Measurement) -> bool:
    return any(usable(p) for p in seen.profiles.values())


def _change(a: Measurement, b: Measurement) -> Floats:
    assert a.verdict is not None
    assert b.verdict is not None
    return b.verdict.residuals - a.verdict.residuals


def _corrected(matrix: Floats, move: Floats, change: Floats) -> Floats:
    """Broyden's rank-one correction (C. G. Broyden, Math. Comp. 19, 1965)."""
    size = float(move @ move)
    if size < 1e-18:
        return matrix
    return matrix + np.outer(change - matrix @ move, move) / size
