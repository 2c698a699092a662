"""The suite of detectors passes right ones and fails every planted wrong one."""

from __future__ import annotations

import time
from collections.abc import Callable, Sequence
from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import DetectorError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Detector, Reading
from autoalign.testing import DetectorConformance


class Right:
    """A camera of noise, which takes a tenth of a second for a picture."""

    name, plane = "planted", "far"

    def __init__(self, clock: Clock) -> None:
        self.clock = clock
        self.rng = np.random.default_rng(1)
        self.closed = False
        self.count = 0

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Return pictures."""
        return [self.one(not_before, deadline) for _ in range(count)]

    def one(self, not_before: float, deadline: float) -> Any:
        """Return a picture, or say that it would be late."""
        begin = max(self.clock.now(), not_before)
        if begin + 0.1 > deadline:
            raise self.late()
        self.clock.sleep(begin + 0.1 - self.clock.now())
        self.count += 1
        return self.exposure(begin)

    def late(self) -> Exception:
        """Return the error of a deadline that cannot be kept."""
        return DetectorError(f"detector {self.name}: too late.")

    def exposure(self, begin: float) -> Any:
        """Return what was seen."""
        return Frame(
            self.pixels(), 0.1, started=begin, ended=begin + 0.1, bit_depth=8, plane=self.plane
        )

    def pixels(self) -> Any:
        """Return noise."""
        return self.rng.integers(0, 120, (6, 8)).astype(np.uint8)

    def close(self) -> None:
        """Let go."""
        self.closed = True


class RightMeter(Right):
    """A meter of noise."""

    def exposure(self, begin: float) -> Any:
        """Return a number."""
        return Reading(
            {"power": self.value()}, {"power": 0.1}, {"power": "W"}, self.plane, begin, begin + 0.1
        )

    def value(self) -> float:
        """Return noise."""
        return float(self.rng.normal())


class NoName(Right):
    """Is called nothing."""

    name = ""


class NoPlane(Right):
    """Has no plane at all."""

    plane = None  # type: ignore[assignment]


class BareNumbers(RightMeter):
    """Gives numbers and nothing with them."""

    def exposure(self, begin: float) -> Any:
        """Give one."""
        return 1.0


class PlaneForgotten(Right):
    """Does not say of a picture where it was taken."""

    def exposure(self, begin: float) -> Any:
        """Leave it out."""
        return replace(super().exposure(begin), plane="")


class OneTooFew(Right):
    """Gives one less than was asked for."""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Leave one out."""
        return super().acquire(count, not_before, deadline)[1:]


class AlwaysOne(Right):
    """Gives one, however many were asked for."""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Give one."""
        return super().acquire(1, not_before, deadline)


class OneForAll(Right):
    """Takes one picture and gives it as many times as asked."""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Repeat it."""
        return [self.one(not_before, deadline)] * count


class Frozen(Right):
    """Sees the same for ever."""

    def pixels(self) -> Any:
        """Return it."""
        return np.full((6, 8), 7, np.uint8)


class FrozenBetweenCalls(Right):
    """Sees the last picture of one call again as the first of the next."""

    last: Any = None

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Give it again."""
        taken = list(super().acquire(count, not_before, deadline))
        if self.last is not None:
            taken[0] = replace(taken[0], pixels=self.last)
        self.last = taken[-1].pixels
        return taken


class FromTheBuffer(Right):
    """Gives first what it exposed after the last call."""

    waiting: Any = None

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Give that first."""
        taken = list(super().acquire(count, not_before, deadline))
        if self.waiting is not None:
            taken = [self.waiting, *taken[1:]]
        self.waiting = self.exposure(self.clock.now())
        return taken


class AtOnce(Right):
    """Does not wait for the time from which it may expose."""

    def one(self, not_before: float, deadline: float) -> Any:
        """Expose now."""
        return super().one(self.clock.now(), deadline)


class NoTimes(Right):
    """Does not say when it exposed."""

    def exposure(self, begin: float) -> Any:
        """Leave it out."""
        return replace(super().exposure(begin), started=None, ended=None)


class NoEnd(Right):
    """Does not say when an exposure ended."""

    def exposure(self, begin: float) -> Any:
        """Leave it out."""
        return replace(super().exposure(begin), ended=None)


class EndsBeforeItBegins(Right):
    """Exchanges begin and end."""

    def exposure(self, begin: float) -> Any:
        """Exchange them."""
        frame = super().exposure(begin)
        return replace(frame, started=frame.ended, ended=frame.started)


class DatedAhead(Right):
    """Dates an exposure a little later, to be on the safe side."""

    def exposure(self, begin: float) -> Any:
        """Date it."""
        return super().exposure(begin + 0.5)


class OwnClock(Right):
    """Dates exposures by the computer's time of day."""

    def exposure(self, begin: float) -> Any:
        """Date it."""
        return super().exposure(time.time())


class LastFirst(Right):
    """Gives the last picture first."""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Turn them round."""
        return super().acquire(count, not_before, deadline)[::-1]


class ChangesSize(Right):
    """Loses a row now and then."""

    def pixels(self) -> Any:
        """Lose it."""
        return super().pixels()[: 6 - self.count % 2]


class ChangesDepth(Right):
    """Says another bit depth each time."""

    def exposure(self, begin: float) -> Any:
        """Say so."""
        return replace(super().exposure(begin), bit_depth=8 - self.count % 2)


class ChangesPitch(Right):
    """Measures its pixels anew each time."""

    def exposure(self, begin: float) -> Any:
        """Measure."""
        return replace(super().exposure(begin), pitch=0.1 + 0.001 * self.count)


class ChangesNames(RightMeter):
    """Calls the same quantity by another name each time."""

    def exposure(self, begin: float) -> Any:
        """Call it so."""
        return replace(super().exposure(begin), values={f"p{self.count}": 1.0})


class TooBright(Right):
    """Says that it has fewer bits than it gives."""

    def exposure(self, begin: float) -> Any:
        """Say so."""
        return replace(super().exposure(begin), bit_depth=6)


class HolesInThePicture(Right):
    """Has no number for a dead pixel."""

    def pixels(self) -> Any:
        """Leave it out."""
        pixels = super().pixels().astype(np.float64)
        pixels[2, 2] = np.nan
        return pixels


class NoNumber(RightMeter):
    """Reads nothing for a number."""

    def value(self) -> float:
        """Read it."""
        return float("nan")


class NothingRead(RightMeter):
    """Gives a reading of nothing."""

    def exposure(self, begin: float) -> Any:
        """Give it."""
        return Reading({}, plane=self.plane, started=begin, ended=begin + 0.1)


class NegativeUncertainty(RightMeter):
    """Is less than certain."""

    def exposure(self, begin: float) -> Any:
        """Say so."""
        return replace(super().exposure(begin), uncertainties={"power": -0.1})


class UnitOfNothing(RightMeter):
    """Has a unit for something that it does not read."""

    def exposure(self, begin: float) -> Any:
        """Say so."""
        return replace(super().exposure(begin), units={"current": "A"})


class OneBuffer(Right):
    """Writes every picture into the same memory."""

    def __init__(self, clock: Clock) -> None:
        super().__init__(clock)
        self.buffer = np.zeros((6, 8), np.uint8)

    def pixels(self) -> Any:
        """Write it."""
        self.buffer[:] = super().pixels()
        return self.buffer


class NeverLate(Right):
    """Takes no notice of a deadline."""

    def one(self, not_before: float, deadline: float) -> Any:
        """Take none."""
        return super().one(not_before, float("inf"))


class NothingWhenLate(Right):
    """Gives nothing where the deadline cannot be kept."""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Any]:
        """Give nothing."""
        try:
            return super().acquire(count, not_before, deadline)
        except DetectorError:
            return []


class ForeignError(Right):
    """Raises somebody else's error."""

    def late(self) -> Exception:
        """Return it."""
        return TimeoutError(f"{self.name} late")


class NamelessError(Right):
    """Does not say which detector is late."""

    def late(self) -> Exception:
        """Return it."""
        return DetectorError("too late.")


class DeadOnceLate(Right):
    """Works no more after a deadline was missed."""

    dead = False

    def one(self, not_before: float, deadline: float) -> Any:
        """Work, or not."""
        if self.dead:
            raise DetectorError(f"detector {self.name}: dead.")
        try:
            return super().one(not_before, deadline)
        except DetectorError:
            self.dead = True
            raise


class CloseOnce(Right):
    """Fails when it is closed again."""

    def close(self) -> None:
        """Fail."""
        if self.closed:
            raise DetectorError("closed already")
        super().close()


PLANTED: list[tuple[type[Right], str]] = [
    (NoName, "test_is_a_detector"),
    (NoPlane, "test_is_a_detector"),
    (BareNumbers, "test_gives_as_many_as_asked"),
    (PlaneForgotten, "test_gives_as_many_as_asked"),
    (OneTooFew, "test_gives_as_many_as_asked"),
    (AlwaysOne, "test_gives_as_many_as_asked"),
    (OneForAll, "test_gives_as_many_as_asked"),
    (Frozen, "test_no_picture_comes_twice"),
    (FrozenBetweenCalls, "test_no_picture_comes_twice"),
    (FromTheBuffer, "test_begins_when_asked_and_says_when"),
    (AtOnce, "test_begins_when_asked_and_says_when"),
    (NoTimes, "test_begins_when_asked_and_says_when"),
    (NoEnd, "test_begins_when_asked_and_says_when"),
    (EndsBeforeItBegins, "test_begins_when_asked_and_says_when"),
    (DatedAhead, "test_begins_when_asked_and_says_when"),
    (OwnClock, "test_begins_when_asked_and_says_when"),
    (LastFirst, "test_begins_when_asked_and_says_when"),
    (ChangesSize, "test_stays_of_one_kind"),
    (ChangesDepth, "test_stays_of_one_kind"),
    (ChangesPitch, "test_stays_of_one_kind"),
    (ChangesNames, "test_stays_of_one_kind"),
    (TooBright, "test_gives_sound_numbers"),
    (HolesInThePicture, "test_gives_sound_numbers"),
    (NoNumber, "test_gives_sound_numbers"),
    (NothingRead, "test_gives_sound_numbers"),
    (NegativeUncertainty, "test_gives_sound_numbers"),
    (UnitOfNothing, "test_gives_sound_numbers"),
    (OneBuffer, "test_what_was_given_stays_as_it_was"),
    (NeverLate, "test_a_deadline_that_cannot_be_kept"),
    (NothingWhenLate, "test_a_deadline_that_cannot_be_kept"),
    (ForeignError, "test_a_deadline_that_cannot_be_kept"),
    (NamelessError, "test_a_deadline_that_cannot_be_kept"),
    (DeadOnceLate, "test_a_deadline_that_cannot_be_kept"),
    (CloseOnce, "test_closing_twice"),
]

Failing = Callable[[Callable[[], Any], str], set[str]]


def suite_of(kind: type[Right]) -> Callable[[], DetectorConformance]:
    """Return a maker of the suite for one kind of detector."""

    class Suite(DetectorConformance):
        def make_detector(self) -> tuple[Detector, Clock]:
            clock = VirtualClock()
            return kind(clock), clock

    return Suite


@pytest.mark.parametrize("kind", [Right, RightMeter])
def test_a_right_detector_passes_as_the_planted_ones_are_run(
    failing: Failing, kind: type[Right]
) -> None:
    """What runs the suite on planted detectors finds nothing wrong with a right one."""
    assert failing(suite_of(kind), "detector") == set()


@pytest.mark.parametrize(("kind", "test"), PLANTED, ids=lambda v: getattr(v, "__name__", v))
def test_each_planted_detector_fails_the_test_that_is_there_for_it(
    failing: Failing, kind: type[Right], test: str
) -> None:
    """Whatever else it fails as well."""
    assert test in failing(suite_of(kind), "detector")


def test_no_test_of_the_suite_is_idle() -> None:
    """Each test of the suite is the one that a planted detector is there for."""
    tests = {n for n in dir(DetectorConformance) if n.startswith("test_")}
    assert tests == {test for _, test in PLANTED}
