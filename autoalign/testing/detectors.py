"""What every detector must do. Authors of drivers subclass :class:`DetectorConformance`."""

from __future__ import annotations

import itertools
import math
from collections.abc import Iterator, Sequence
from typing import Any, ClassVar

import numpy as np
import numpy.typing as npt
import pytest

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Detector, Evaluated, Exposure

__all__ = ["DetectorConformance", "contents"]

# What the suites compare exposures by.


def contents(exposure: Exposure) -> npt.NDArray[Any]:
    """Return a copy of the pixels of a frame, or of its moments, or of the values of a reading."""
    if isinstance(exposure, Frame):
        return exposure.pixels.copy()
    if isinstance(exposure, Evaluated):
        return np.array(exposure.profile.moments)
    return np.array(list(exposure.values.values()))


class DetectorConformance:
    """Tests that every :class:`~autoalign.core.interfaces.Detector` passes; run by pytest.

    Subclass it under a name that begins with ``Test`` and say how to make a detector that has
    something to measure::

        class TestMyCamera(DetectorConformance):
            def make_detector(self):
                clock = VirtualClock()
                return MyCamera(..., clock), clock

    =======================  ===============================================================
    member                   override to…
    =======================  ===============================================================
    :meth:`make_detector`    make a fresh detector, and the clock that it lives by
    :meth:`clean_up`         let go of what ``make_detector`` has set up besides
    :attr:`patience`         allow more time for four exposures, s
    =======================  ===============================================================
    """

    patience: ClassVar[float] = 20.0

    clock: Clock

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return a fresh detector and its clock."""
        raise NotImplementedError(
            f"{type(self).__name__}: say in make_detector how to make a detector."
        )

    def clean_up(self) -> None:
        """Let go of what :meth:`make_detector` has set up besides the detector."""

    @pytest.fixture
    def detector(self) -> Iterator[Detector]:
        """Return the detector of this test; it is closed at the end."""
        detector, self.clock = self.make_detector()
        try:
            yield detector
        finally:
            detector.close()
            self.clean_up()

    def test_is_a_detector(self, detector: Detector) -> None:
        """It has every member of the protocol, and a name."""
        assert isinstance(detector, Detector)
        assert detector.name
        assert isinstance(detector.plane, str)

    @pytest.mark.parametrize("count", [1, 4])
    def test_gives_as_many_as_asked(self, detector: Detector, count: int) -> None:
        """Frames, moments or readings, each an exposure of its own, at the detector's plane."""
        taken = self.take(detector, count)
        assert len(taken) == count
        assert all(isinstance(exposure, Exposure) for exposure in taken)
        assert len({id(exposure) for exposure in taken}) == count
        assert {exposure.plane for exposure in taken} == {detector.plane}

    def test_no_picture_comes_twice(self, detector: Detector) -> None:
        """No two frames in a row have the very same pixels, which no working camera gives."""
        taken = [*self.take(detector, 3), *self.take(detector, 1)]
        pictures = [e.pixels for e in taken if isinstance(e, Frame)]
        assert not any(np.array_equal(a, b) for a, b in itertools.pairwise(pictures))

    @pytest.mark.parametrize("wait", [0.0, 1.5])
    def test_begins_when_asked_and_says_when(self, detector: Detector, wait: float) -> None:
        """Each began at or after ``not_before``, in order, and ended by now, on the bench's clock.

        What was exposed earlier, for instance left in a buffer, is never given.
        """
        self.take(detector, 1)
        self.clock.sleep(0.5)
        earliest = self.clock.now() + wait
        taken = self.take(detector, 3, wait)
        begun = [_time(e.started, "started") for e in taken]
        ended = [_time(e.ended, "ended") for e in taken]
        assert begun[0] >= earliest
        assert begun == sorted(begun)
        assert all(b <= e for b, e in zip(begun, ended, strict=True))
        assert max(ended) <= self.clock.now()

    def test_stays_of_one_kind(self, detector: Detector) -> None:
        """Size, type, pitch, origin, view and depth of frames, names and units of readings."""
        kinds = {_kind(exposure) for _ in range(2) for exposure in self.take(detector, 2)}
        assert len(kinds) == 1

    def test_gives_sound_numbers(self, detector: Detector) -> None:
        """Finite numbers, within the bit depth; uncertainties and units of what is there."""
        for exposure in self.take(detector, 3):
            if isinstance(exposure, Frame):
                assert np.isfinite(exposure.pixels).all()
                if exposure.bit_depth is not None:
                    assert exposure.pixels.min() >= 0
                    assert exposure.pixels.max() < 2**exposure.bit_depth
                continue
            if isinstance(exposure, Evaluated):
                assert np.isfinite(exposure.profile.moments).all()
                assert np.isfinite(exposure.profile.covariance).all()
                continue
            assert exposure.values
            assert all(math.isfinite(value) for value in exposure.values.values())
            assert all(math.isfinite(u) and u >= 0 for u in exposure.uncertainties.values())
            assert set(exposure.uncertainties) | set(exposure.units) <= set(exposure.values)

    def test_what_was_given_stays_as_it_was(self, detector: Detector) -> None:
        """A later exposure does not overwrite an earlier one."""
        first = self.take(detector, 2)
        kept = [contents(exposure) for exposure in first]
        self.take(detector, 2)
        for exposure, before in zip(first, kept, strict=True):
            np.testing.assert_array_equal(contents(exposure), before)

    @pytest.mark.parametrize(("wait", "left"), [(0.0, -1.0), (2.0, 1.0)])
    def test_a_deadline_that_cannot_be_kept(
        self, detector: Detector, wait: float, left: float
    ) -> None:
        """It raises :class:`DetectorError`, naming the detector, and works again afterwards."""
        now = self.clock.now()
        with pytest.raises(DetectorError) as caught:
            detector.acquire(2, now + wait, now + left)
        assert detector.name in str(caught.value)
        assert len(self.take(detector, 1)) == 1

    def test_closing_twice(self, detector: Detector) -> None:
        """Closing may be repeated."""
        self.take(detector, 1)
        detector.close()
        detector.close()

    def take(self, detector: Detector, count: int, wait: float = 0.0) -> Sequence[Exposure]:
        """Acquire ``count`` exposures begun from now on, or ``wait`` seconds later."""
        earliest = self.clock.now() + wait
        return detector.acquire(count, earliest, earliest + self.patience)


def _time(time: float | None, what: str) -> float:
    assert time is not None, f"an exposure does not say when it {what}"
    return time


def _kind(exposure: Exposure) -> tuple[Any, ...]:
    if isinstance(exposure, Frame):
        f = exposure
        return (f.pixels.shape, f.pixels.dtype.str, f.pitch, f.origin, f.view, f.bit_depth)
    if isinstance(exposure, Evaluated):
        return (exposure.pitch, exposure.origin, exposure.profile.view)
    return (tuple(sorted(exposure.values)), tuple(sorted(exposure.units.items())))
