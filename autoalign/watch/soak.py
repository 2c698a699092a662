"""A watch on a simulated bench over days or a year of virtual time, judged by the hidden truth.

The bench drifts, its measurements are as noisy as asked for, and now and then something goes wrong.
The watch knows nothing of it; what it did is held against what the simulation knows.
"""

from __future__ import annotations

import math
import sys
import tempfile
import time
from collections.abc import Callable, Iterator, Mapping, Sequence
from contextlib import contextmanager
from dataclasses import asdict, dataclass, field, replace
from datetime import datetime
from pathlib import Path
from typing import Any

import numpy as np

from autoalign.beam.profile import BeamProfile
from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.errors import DetectorError, LinkTimeoutError, UsageError
from autoalign.core.interfaces import AxisStatus, Detector, Evaluated, Exposure, Reading, Stage
from autoalign.run.measure_bench import measure_bench
from autoalign.strategies.base import Strategy
from autoalign.watch.drift import noise_of
from autoalign.watch.earlier import Tidy
from autoalign.watch.events import Decision, Step
from autoalign.watch.policy import Policy
from autoalign.watch.service import Watch
from autoalign.watch.state import Mode

__all__ = ["FAULTS", "SoakPlan", "SoakResult", "soak"]

_DAY = 86400.0
_TICK = 300.0
"""Seconds between two steps of the drift, and between two looks at the truth."""
_RAYS = (6, 12)
"""Rings and spokes of the rays that the truth is judged by, every :data:`_TICK`."""
_MEMORY = 12 * 3600.0
"""Time in which a drift rate changes, s."""


@dataclass(frozen=True, slots=True)
class SoakPlan:
    """What is asked of a soak.

    ``days`` of virtual time; ``noise`` of one exposure in tolerances of the worst term; standard
    deviation of the ``drift`` rate, tolerances a day, which changes within half a day; ``faults`` a
    day, drawn at random; ``seed`` of the bench and of all chance.
    """

    days: float = 30.0
    noise: float = 0.3
    drift: float = 0.5
    faults: float = 0.0
    seed: int = 0

    def __post_init__(self) -> None:
        for what in ("days", "noise", "drift", "faults"):
            value = getattr(self, what)
            if not (math.isfinite(value) and value >= 0) or (what == "days" and value == 0):
                raise UsageError(f"soak: {what} {value!r}; give a number above 0, or 0 for none.")


TWO_SIDED = 1.96
"""Standard uncertainties to either side that hold 95 % of a normal distribution."""


@dataclass(slots=True)
class SoakResult:
    """What came of a soak.

    ``noise`` is the noise that one exposure really had, in tolerances. A realignment is
    ``needless`` if the true beam was in spec when it began, and would still have been at the next
    measurement without it; ``needless_within_systematics`` of these were at a beam so close to a
    limit that no measurement can tell, by what the bench states of its cameras (95 %). A pause is
    false if nothing had happened to the bench. ``violations``
    lists what must never happen and did. ``share_in_spec`` is of all time, ``share_undisturbed`` of
    the time in which no fault was there or had just been.
    """

    days: float
    noise: float
    drift: float
    faults: float
    seed: int
    bench: str
    measurements: int = 0
    exposures_averaged: int = 1
    realignments: int = 0
    realignments_per_day: float = 0.0
    realigned_in_spec: int = 0
    needless: int = 0
    needless_within_systematics: int = 0
    needless_in_30_days: float = 0.0
    needless_reasons: list[str] = field(default_factory=list)
    pauses: int = 0
    false_pauses: int = 0
    false_pauses_in_30_days: float = 0.0
    false_pause_reasons: list[str] = field(default_factory=list)
    outages: int = 0
    injected: dict[str, int] = field(default_factory=dict)
    violations: int = 0
    violation_list: list[str] = field(default_factory=list)
    share_in_spec: float = 0.0
    share_undisturbed: float = 0.0
    state: str = ""
    reason: str = ""
    compute_seconds: float = 0.0
    memory_mb: tuple[float, float] = (0.0, 0.0)
    open_files: tuple[int, int] = (0, 0)
    records_mb: float = 0.0


@dataclass(slots=True)
class _Fault:
    """Something that goes wrong between two times, s."""

    kind: str
    begin: float
    end: float
    undo: Callable[[], None]


class _Lab:
    """The simulated world with its troubles, the truth, and a referee over the watch."""

    def __init__(self, bench: Bench, plan: SoakPlan, policy: Policy, result: SoakResult) -> None:
        self.plan, self.policy, self.result = plan, policy, result
        self.rng = np.random.default_rng([plan.seed, 77])
        self.truth, self.world = bench.truth, bench.truth.world
        # Enough rays for the verdict: against 24 x 48 it changes by under 1 % of a tolerance.
        self.truth.rings, self.truth.spokes = _RAYS
        assert bench.spec is not None
        self.spec = bench.spec
        self.clock: Any = bench.clock
        self.world.hidden = dict.fromkeys(self.world.axes, 0.0)
        self.free = list(bench.free_axes)
        self.worth = {axis: self._tolerance(axis) for axis in self.free}
        self.rates = dict.fromkeys(self.free, 0.0)
        self.faults: list[_Fault] = []
        self.silent: set[str] = set()
        self.local = ""
        self.in_spec = [0.0, 0.0]
        self.total = [0.0, 0.0]
        self.next_fault = math.inf
        self.recent = -math.inf
        self.wanted: tuple[float, bool] | None = None
        self.because, self.close = "", False
        self.systematic: dict[str, float] = {}
        self.watch: Watch | None = None
        self.bench = self._under_referee(bench)

    def _tolerance(self, axis: str) -> float:
        """Return the misalignment of ``axis`` that takes the beam to the limit of its spec."""
        low, high = 0.0, 1e-9
        while self._share({axis: high}) < 1 and high < 1e3:
            low, high = high, 2 * high
        for _ in range(30):
            middle = (low + high) / 2
            low, high = (middle, high) if self._share({axis: middle}) < 1 else (low, middle)
        return high

    def _share(self, positions: Mapping[str, float] | None = None) -> float:
        terms = self.truth.verdict(self.spec, positions).terms
        return float(max(abs(t.deviation) / t.tolerance for t in terms))

    # The world ---------------------------------------------------------------------------------

    def begin(self) -> None:
        """Let drift and faults happen from now on."""
        if self.plan.faults:
            self.next_fault = self.clock.now() + self.rng.exponential(_DAY / self.plan.faults)
        self.clock.at(self.clock.now() + _TICK, self._tick)

    def _tick(self) -> None:
        now = self.clock.now()
        keep = math.exp(-_TICK / _MEMORY)
        each = self.plan.drift / _DAY / math.sqrt(len(self.free))
        for axis in self.free:
            fresh = each * math.sqrt(1 - keep**2) * self.rng.normal()
            self.rates[axis] = keep * self.rates[axis] + fresh
            self.world.hidden[axis] += self.rates[axis] * self.worth[axis] * _TICK
        lit = self._share() < 1
        disturbed = self.disturbed(now)
        self.total[disturbed] += 1
        self.in_spec[disturbed] += lit
        for fault in [f for f in self.faults if f.end <= now]:
            fault.undo()
            self.faults.remove(fault)
            self.recent = now
        if now >= self.next_fault:
            self._go_wrong(now)
            self.next_fault = now + self.rng.exponential(_DAY / self.plan.faults)
        self.clock.at(now + _TICK, self._tick)

    def disturbed(self, now: float) -> bool:
        """Whether a fault is there, or was until not long ago."""
        return bool(self.faults) or now - self.recent < 3 * self.policy.interval

    def _go_wrong(self, now: float) -> None:
        if self.faults:
            return
        kind = str(self.rng.choice(sorted(FAULTS)))
        undo = FAULTS[kind](self)
        lasting = self.rng.uniform(300.0, 3 * 3600.0)
        self.faults.append(_Fault(kind, now, now + lasting, undo))
        self.result.injected[kind] = self.result.injected.get(kind, 0) + 1

    # The referee -------------------------------------------------------------------------------

    def _under_referee(self, bench: Bench) -> Bench:
        return replace(
            bench,
            stages={n: _Stage(s, self) for n, s in bench.stages.items()},
            detectors={
                n: _Detector(d, self, k) for k, (n, d) in enumerate(bench.detectors.items())
            },
        )

    def set_noise(self) -> None:
        """Make measurements as noisy as asked for; what the cameras themselves have stays."""
        seen = measure_bench(self.bench)
        if seen.parameters is None:
            raise UsageError(f"soak: the simulated bench cannot be measured: {seen.failure}")
        own = noise_of(seen, self.spec, 1)
        alone = self.spec.evaluate(seen.repeated or seen.parameters).terms
        for term, repeated in zip(self.spec.evaluate(seen.parameters).terms, alone, strict=True):
            left = max(term.uncertainty**2 - repeated.uncertainty**2, 0.0)
            self.systematic[term.name] = math.sqrt(left) / term.tolerance
        for detector in self.bench.detectors.values():
            assert isinstance(detector, _Detector)
            detector.factor = max(self.plan.noise / own, 1.0)
        self.result.noise = max(self.plan.noise, own)
        measure_bench(self.bench)

    def follow(self, _when: datetime, decision: Decision) -> None:
        """Judge a decision when it is made."""
        assert self.watch is not None
        state, now = self.watch.state, self.clock.now()
        if self.wanted is not None:
            asked, needless = self.wanted
            self.wanted = None
            moved = bool(state.realigned) and state.realigned[-1] >= asked
            if needless and moved:
                self.result.needless += 1
                self.result.needless_within_systematics += self.close
                self.result.needless_reasons = [*self.result.needless_reasons, self.because][:20]
        if decision.step is Step.REALIGN:
            self.wanted = now, self._needless()
            self.close = any(
                abs(t.deviation) / t.tolerance + TWO_SIDED * self.systematic.get(t.name, 0) > 1
                for t in self.truth.verdict(self.spec).terms
            )
            self.because = f"{decision.reason} (truly at {self._share():.3f})"
            if any(f.kind in _NO_MOTION and now - f.begin > 2 * self.policy.interval
                   for f in self.faults):  # fmt: skip
                self.violate(f"realigned while {self.faults[0].kind}")
        if decision.step is Step.HOLD and state.pauses > self.result.pauses:
            self.result.pauses = state.pauses
            if not self.disturbed(now):
                self.result.false_pauses += 1
                self.result.false_pause_reasons = [
                    *self.result.false_pause_reasons, decision.reason
                ][:20]  # fmt: skip

    def _needless(self) -> bool:
        if self._share() >= 1:
            return False
        here = dict(self.truth.positions())
        ahead = self.policy.ahead * self.policy.interval
        for axis, rate in self.rates.items():
            here[axis] += rate * self.worth[axis] * ahead
        return self._share(here) < 1

    def violate(self, what: str) -> None:
        """Note that something happened that must not."""
        self.result.violations += 1
        self.result.violation_list = [*self.result.violation_list, what][:20]

    def moves(self, axis: Axis, target: float) -> None:
        """Judge a command to move."""
        if self.watch is None:
            return
        state = self.watch.state
        if not axis.lower <= target <= axis.upper:
            self.violate(f"{axis.name} sent to {target!r}, beyond its limits")
        if state.mode is not Mode.WATCHING or state.holding:
            self.violate(f"{axis.name} moved while {state.mode}")
        hour = [t for t in state.realigned if self.clock.now() - t < 3600]
        if len(hour) > self.policy.hourly:
            self.violate(f"more than {self.policy.hourly} realignments within an hour")


@dataclass(slots=True)
class _Stage:
    """A stage that the referee watches, and whose line may fall silent."""

    stage: Stage
    lab: _Lab

    @property
    def name(self) -> str:
        return self.stage.name

    @property
    def axes(self) -> Mapping[str, Axis]:
        return self.stage.axes

    def identity(self) -> str:
        self._heard()
        return self.stage.identity()

    def start_move(self, axis: str, target: float) -> None:
        self._heard()
        self.lab.moves(self.axes[axis], target)
        self.stage.start_move(axis, target)

    def status(self, axis: str) -> AxisStatus:
        self._heard()
        return self.stage.status(axis)

    def stop(self) -> None:
        self.stage.stop()

    def close(self) -> None:
        self.stage.close()

    def _heard(self) -> None:
        if "line" in self.lab.silent:
            raise LinkTimeoutError(f"controller {self.name}: no answer before the deadline.")


@dataclass(slots=True)
class _Detector:
    """A detector whose noise is raised by ``factor``, and that may fall silent."""

    detector: Detector
    lab: _Lab
    number: int
    factor: float = 1.0

    @property
    def name(self) -> str:
        return self.detector.name

    @property
    def plane(self) -> str:
        return self.detector.plane

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Exposure]:
        if "camera" in self.lab.silent:
            raise DetectorError(f"camera {self.name}: no frame before the deadline.")
        exposures = self.detector.acquire(count, not_before, deadline)
        return [self._noisier(e) for e in exposures]

    def close(self) -> None:
        self.detector.close()

    def _noisier(self, exposure: Exposure) -> Exposure:
        rng, more = self.lab.rng, self.factor**2 - 1
        if more <= 0:
            return exposure
        if isinstance(exposure, Reading):
            values = {
                name: value + math.sqrt(more) * exposure.uncertainties.get(name, 0.0) * rng.normal()
                for name, value in exposure.values.items()
            }
            wider = {n: u * self.factor for n, u in exposure.uncertainties.items()}
            return replace(exposure, values=values, uncertainties=wider)
        if not isinstance(exposure, Evaluated):
            raise UsageError("soak: a bench that gives moments or readings is needed, no frames.")
        profile: BeamProfile = exposure.profile
        spreads, vectors = np.linalg.eigh(profile.covariance)
        off = vectors @ (np.sqrt(np.maximum(spreads, 0.0) * more) * rng.normal(size=len(spreads)))
        noisy = replace(
            profile,
            moments=profile.moments + off,
            covariance=profile.covariance * self.factor**2,
        )
        return replace(exposure, profile=noisy)


# What goes wrong ---------------------------------------------------------------------------------


def _light_off(lab: _Lab) -> Callable[[], None]:
    lab.world.power = 0.0
    return lambda: setattr(lab.world, "power", 1.0)


def _source_drops(lab: _Lab) -> Callable[[], None]:
    lab.world.power = 0.3
    return lambda: setattr(lab.world, "power", 1.0)


def _camera_silent(lab: _Lab) -> Callable[[], None]:
    lab.silent.add("camera")
    return lambda: lab.silent.discard("camera")


def _line_silent(lab: _Lab) -> Callable[[], None]:
    lab.silent.add("line")
    return lambda: lab.silent.discard("line")


def _knock(lab: _Lab) -> Callable[[], None]:
    axis = str(lab.rng.choice(lab.free))
    lab.world.hidden[axis] += lab.rng.choice([-1, 1]) * lab.rng.uniform(2, 20) * lab.worth[axis]
    return lambda: None


def _jog(lab: _Lab) -> Callable[[], None]:
    axis = str(lab.rng.choice(lab.free))
    motor = lab.world.motors[axis]
    stage = lab.bench.stage_of(axis)
    assert isinstance(stage, _Stage)
    known = stage.axes[axis]
    target = float(motor.position) + lab.rng.choice([-1, 1]) * 5 * lab.worth[axis]
    if known.lower <= target <= known.upper and not motor.moving:
        stage.stage.start_move(axis, target)
    return lambda: None


def _person(lab: _Lab) -> Callable[[], None]:
    lab.local = "a person has the bench"
    return lambda: setattr(lab, "local", "")


FAULTS: dict[str, Callable[[_Lab], Callable[[], None]]] = {
    "the light is off": _light_off,
    "the source gives a third of its light": _source_drops,
    "the cameras are silent": _camera_silent,
    "the controllers are silent": _line_silent,
    "the bench is knocked": _knock,
    "an axis is moved from elsewhere": _jog,
    "a person has the bench": _person,
}
"""What goes wrong in a soak, at random times and for random spans: makes it, and returns its end.
"""

_NO_MOTION = {"the light is off", "a person has the bench", "the controllers are silent"}
"""Faults during which nothing may be realigned."""


def soak(
    bench: Bench,
    make_strategy: Callable[[], Strategy],
    plan: SoakPlan,
    *,
    policy: Policy | None = None,
    folder: Path | None = None,
    progress: Callable[[float], None] | None = None,
) -> SoakResult:
    """Watch a simulated ``bench`` for the days of ``plan``, and return what came of it.

    Parameters
    ----------
    bench
        A simulated bench in virtual time that gives moments or readings; it is changed.
    make_strategy
        As of :class:`Watch`.
    folder
        Where the records go; a temporary folder that is removed at the end where not given.
    progress
        Called with the days that have passed, now and then.

    Raises
    ------
    UsageError
        For a bench that has no truth, or gives frames.
    """
    if bench.truth is None or bench.spec is None:
        raise UsageError(f"soak: {bench.name} is no simulated bench with a spec.")
    rules = policy or Policy()
    result = SoakResult(plan.days, plan.noise, plan.drift, plan.faults, plan.seed, bench.name)
    lab = _Lab(bench, plan, rules, result)
    lab.set_noise()
    with _folder(folder) as place:
        watch = Watch(
            lab.bench, make_strategy, place, policy=rules, follow=lab.follow, stop=_Passed(lab),
            local=lambda: lab.local, keep=Tidy(megabytes=50.0), look=_TICK, beat=math.inf,
        )  # fmt: skip
        lab.watch = watch
        lab.begin()
        began, at = time.process_time(), lab.clock.now()
        early = _size()
        _report_at(lab, at, progress)
        summary = watch.run()
        result.compute_seconds = time.process_time() - began
        result.memory_mb, result.open_files = (
            (early[0], _size()[0]), (early[1], _size()[1])
        )  # fmt: skip
        result.records_mb = sum(p.stat().st_size for p in place.glob("*") if p.is_file()) / 1e6
    lasted = (lab.clock.now() - at) / _DAY
    if lasted < plan.days:
        lab.violate(f"the watch ended after {lasted:.1f} days: {summary.reason}")
    result.measurements, result.exposures_averaged = summary.measurements, watch.state.frames
    result.realignments = summary.realignments
    result.realigned_in_spec = summary.realigned_in_spec
    result.realignments_per_day = summary.realignments / lasted
    result.needless_in_30_days = result.needless * 30 / lasted
    result.false_pauses_in_30_days = result.false_pauses * 30 / lasted
    result.pauses, result.outages = summary.pauses, watch.state.outages
    result.share_in_spec = sum(lab.in_spec) / max(sum(lab.total), 1)
    result.share_undisturbed = lab.in_spec[0] / max(lab.total[0], 1)
    result.state, result.reason = summary.state.value, summary.reason
    return result


@dataclass(slots=True)
class _Passed:
    """A stop flag that is set once the days have passed."""

    lab: _Lab
    end: float = math.nan

    def is_set(self) -> bool:
        """Whether the days have passed."""
        if math.isnan(self.end):
            self.end = self.lab.clock.now() + self.lab.plan.days * _DAY
        return bool(self.lab.clock.now() >= self.end)


def _report_at(lab: _Lab, began: float, progress: Callable[[float], None] | None) -> None:
    if progress is None:
        return

    def tell() -> None:
        progress((lab.clock.now() - began) / _DAY)
        lab.clock.at(lab.clock.now() + _DAY, tell)

    lab.clock.at(began + _DAY, tell)


@contextmanager
def _folder(folder: Path | None) -> Iterator[Path]:
    if folder is not None:
        yield folder
        return
    with tempfile.TemporaryDirectory(prefix="autoalign-soak-") as made:
        yield Path(made)


def _size() -> tuple[float, int]:
    """Return the most memory used so far, MB, and the number of open files, 0 where not known."""
    try:
        import resource  # noqa: PLC0415 - not on every system
    except ImportError:
        return 0.0, 0
    used = resource.getrusage(resource.RUSAGE_SELF).ru_maxrss
    handles = Path("/proc/self/fd")
    count = len(list(handles.iterdir())) if handles.is_dir() else 0
    return used / (1e6 if sys.platform == "darwin" else 1e3), count


def facts(result: SoakResult) -> dict[str, Any]:
    """Return the result as plain facts."""
    return asdict(result)
