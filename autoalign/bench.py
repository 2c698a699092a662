"""A bench: stages that move, detectors that measure, and what is known of both beforehand."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterable, Mapping
from dataclasses import dataclass, field
from types import TracebackType
from typing import Any, Self

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, RealClock
from autoalign.core.errors import MotionFaultError, UsageError, unknown_name
from autoalign.core.hands import Hands
from autoalign.core.interfaces import AxisStatus, Detector, Stage
from autoalign.optics.layout import Layout
from autoalign.spec.terms import Spec

__all__ = ["Bench"]


@dataclass(slots=True)
class Bench:
    """Everything that an alignment needs to reach.

    Parameters
    ----------
    name
        Name of the bench.
    stages, detectors
        By name. Axis names are unique over all stages.
    spec
        What the beam must meet; None for a bench that is only measured.
    layout
        The nominal geometry; None for a bench without a model.
    locked
        Parts ("source", "mirror" …) or axes that searches leave alone: move the source or the
        mirror, not both.
    clock
        The bench's time.
    settle
        Seconds to wait after the last axis has come to rest.
    frames
        Exposures to average for one measurement.
    uncertainties
        Standard uncertainties of what is nominal (pitch, plane distances, axis scale …), by name;
        see :mod:`autoalign.model`.
    truth
        On simulated benches the hidden truth, for tests and benchmarks alone.
    hands
        The person at the bench, asked where axes are turned by hand; at the terminal where not
        given.
    planes
        Distance of each measurement plane along the beam, mm, for a bench without a layout; a
        layout has its own.
    """

    name: str
    stages: Mapping[str, Stage]
    detectors: Mapping[str, Detector]
    spec: Spec | None = None
    layout: Layout | None = None
    locked: tuple[str, ...] = ()
    clock: Clock = field(default_factory=RealClock)
    settle: float = 0.1
    frames: int = 1
    uncertainties: Mapping[str, float] = field(default_factory=dict)
    truth: Any = None
    hands: Hands = field(default_factory=Hands)
    planes: Mapping[str, float] = field(default_factory=dict)

    def __post_init__(self) -> None:
        names = [n for s in self.stages.values() for n in s.axes]
        if not (math.isfinite(self.settle) and self.settle >= 0):
            raise UsageError(f"bench {self.name}: settle {self.settle!r} s must be 0 or larger.")
        if self.frames < 1:
            raise UsageError(f"bench {self.name}: frames {self.frames!r} must be 1 or more.")
        twice = sorted({n for n in names if names.count(n) > 1})
        if twice:
            raise UsageError(f"bench {self.name}: axis names on two stages: {', '.join(twice)}.")
        for locked in self.locked:
            if not any(locked in (n, self.axes[n].part) for n in names):
                known = [*names, *sorted({self.axes[n].part for n in names})]
                raise unknown_name("part or axis", locked, known, f"bench {self.name}, locked")

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def axes(self) -> dict[str, Axis]:
        """Every axis by name, in the order of the stages."""
        return {n: a for s in self.stages.values() for n, a in s.axes.items()}

    @property
    def distances(self) -> dict[str, float]:
        """Distance of each measurement plane along the beam, mm."""
        if self.layout is None:
            return dict(self.planes)
        return {p.name: p.distance for p in self.layout.planes}

    @property
    def free_axes(self) -> dict[str, Axis]:
        """The axes that a search may move: all that are not locked."""
        return {
            n: a for n, a in self.axes.items() if n not in self.locked and a.part not in self.locked
        }

    @property
    def hand_axes(self) -> dict[str, Axis]:
        """The axes that a person turns, locked or not."""
        return {n: a for n, a in self.axes.items() if a.by_hand}

    @property
    def motors(self) -> dict[str, Axis]:
        """The axes that move by themselves, locked or not."""
        return {n: a for n, a in self.axes.items() if not a.by_hand}

    def stage_of(self, axis: str) -> Stage:
        """Return the stage that ``axis`` belongs to."""
        for stage in self.stages.values():
            if axis in stage.axes:
                return stage
        raise unknown_name("axis", axis, self.axes, f"bench {self.name}")

    def positions(self) -> dict[str, float]:
        """Read every axis: mm or rad by name, moving or not; see :meth:`statuses`."""
        return {n: s.position for n, s in self.statuses().items()}

    def statuses(self, axes: Iterable[str] | None = None) -> dict[str, AxisStatus]:
        """Read axes by name, all where not given: position (mm or rad), motion, homing and fault.

        Motors are read first. The first reading of a hand-turned axis may ask a person.

        Raises
        ------
        MotionFaultError
            Where a stage gives no finite number: nothing is known of that axis then. Where a motor
            is in motion and a person would be asked for the reading of a scale: nobody is asked.
        """
        names = list(self.axes if axes is None else axes)
        by_hand = self.hand_axes
        read = self._read([n for n in names if n not in by_hand])
        turned = [n for n in names if n in by_hand]
        if not self.hands.read.issuperset(turned):
            self._check_motors_rest(turned)
            self.hands.clear = False
        read |= self._read(turned)
        self.hands.read.update(turned)
        return {n: read[n] for n in names}

    def _check_motors_rest(self, turned: Iterable[str]) -> None:
        moving = [n for n in self.motors if self.stage_of(n).status(n).moving]
        if moving:
            raise MotionFaultError(
                f"axis {', '.join(moving)}: in motion. The scales of {', '.join(turned)} are read "
                "by a person, and nobody is asked while a motor moves; wait until it is at rest."
            )

    def _read(self, names: Iterable[str]) -> dict[str, AxisStatus]:
        statuses = {n: self.stage_of(n).status(n) for n in names}
        for name, status in statuses.items():
            if not math.isfinite(status.position):
                why = status.fault or "check the encoder and the driver."
                raise MotionFaultError(
                    f"axis {name}: its stage reads back {status.position!r}, which is no position. "
                    f"Nothing is moved on it; {why}"
                )
        return statuses

    def stop(self) -> None:
        """Stop every stage, also where one of them fails; then raise the first failure."""
        _each(stage.stop for stage in self.stages.values())

    def bring_to_rest(self, within: float = 3.0) -> None:
        """Stop every stage and see that every motor comes to rest; a stop is repeated meanwhile.

        A stop that fails is repeated as well, and so is the reading of an axis. Axes that a person
        turns do not move by themselves, and nobody is asked for their scales here.

        Raises
        ------
        MotionFaultError
            Where an axis still moves after ``within`` s of the bench's clock.
        Exception
            The last failure of a stop or a reading, where it goes on failing for so long.
        """
        deadline = self.clock.now() + within
        while True:
            moving, failure = self._told_to_stop()
            if not moving and failure is None:
                return
            if self.clock.now() >= deadline:
                break
            self.clock.sleep(0.05)
        if not moving and failure is not None:
            raise failure
        told = f" The stop itself fails: {failure}" if failure is not None else ""
        raise MotionFaultError(
            f"axis {', '.join(moving)}: still moving {within:g} s after the stop command. Use "
            f"the hardware's own stop now, then check link and controller.{told}"
        )

    def _told_to_stop(self) -> tuple[list[str], Exception | None]:
        """Stop every stage; return the axes that move even so, and what failed meanwhile."""
        moving: list[str] = []
        failure: Exception | None = None
        try:
            self.stop()
        except Exception as error:  # noqa: BLE001 - repeated, and raised where it stays
            failure = error
        for name in self.motors:
            try:
                if self.stage_of(name).status(name).moving:
                    moving.append(name)
            except Exception as error:  # noqa: BLE001 - the other axes must be read as well
                failure = failure or error
        return moving, failure

    def close(self) -> None:
        """Let go of all hardware, also where some of it fails; then raise the first failure."""
        stages = [stage.close for stage in self.stages.values()]
        _each([*stages, *(detector.close for detector in self.detectors.values())])


def _each(calls: Iterable[Callable[[], None]]) -> None:
    failures: list[Exception] = []
    for call in calls:
        try:
            call()
        except Exception as error:  # noqa: BLE001 - a faulty driver must not keep the others going
            failures.append(error)
    if failures:
        for other in failures[1:]:
            failures[0].add_note(f"and: {other}")
        raise failures[0]
