"""Frames that are older than the move are called that, and not the end of the light."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.adapters import FunctionDetector
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.run.align import align
from autoalign.session import Status
from autoalign.session.rules import OLD_LOOKS, SignalLoss
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Cause, Measurement


def frozen_after(bench, measurements):
    """Return ``bench`` with a camera that repeats its last picture after ``measurements``."""
    y, x = np.mgrid[:80, :80]
    beam = 900 * np.exp(-((x - 20) ** 2 + (y - 40) ** 2) / 128)
    rng = np.random.default_rng(4)
    taken = []

    def grab():
        if len(taken) < measurements:
            taken.append((beam + rng.normal(100, 3, beam.shape)).astype(np.uint16))
        return taken[-1]

    camera = FunctionDetector("far", "far", grab, pitch=0.1, clock=bench.clock)
    return replace(bench, detectors={"far": camera}, spec=Spec((QuantityTerm("far.x", 0.1),)))


def test_a_frozen_camera_ends_the_run_with_words_about_the_camera(make_bench):
    """Not with the source, the shutter and the interlock, and not after the whole budget."""
    result = align(frozen_after(make_bench(), 1), strategy="response-matrix")
    assert result.status is Status.GIVEN_UP
    assert "the frames are older than the last move" in result.reason
    assert "interlock" not in result.reason
    assert result.measurements <= OLD_LOOKS + 2


def test_readings_from_before_the_move_are_called_old(make_bench):
    """A meter whose buffer lags is no meter without light."""
    bench = make_bench()
    bench.detectors["meter"].stale = True
    result = align(bench)
    assert "the frames are older than the last move" in result.reason
    assert result.measurements <= OLD_LOOKS + 2


def look(*kinds, causes=()):
    """Return a look at planes with one flag each."""
    flags = [{k.value: Flag(k, "", Use.NOTHING)} for k in kinds]
    profiles = {
        str(n): BeamProfile(np.zeros(9), np.zeros((9, 9)), 0.0, 0.0, 0.0, 1.0, 0.0, f)
        for n, f in enumerate(flags)
    }
    return Measurement(np.zeros(1), profiles, findings=tuple(c.found("far") for c in causes))


@pytest.mark.parametrize(
    ("seen", "old"),
    [
        (look(FlagKind.STALE, FlagKind.FROZEN), True),
        (look(causes=[Cause.STALE]), True),
        (look(FlagKind.STALE, FlagKind.DARK), False),
        (look(FlagKind.DARK), False),
        (look(causes=[Cause.DETECTOR]), False),
    ],
)
def test_only_looks_without_one_new_frame_count_as_old(seen, old):
    """One camera that is up to date sees whether there is light; and one new look begins anew."""
    light = SignalLoss()
    for _ in range(OLD_LOOKS):
        assert not light.old
        light.note(seen)
    assert light.old is old
    light.note(look(FlagKind.DARK))
    assert not light.old
