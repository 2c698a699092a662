"""Light that goes out in the middle of a search is not searched for in the dark."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from autoalign_simulators import benches

from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.run.compose import run
from autoalign.session import Budget, Move, Session, Status
from autoalign.session.rules import DARK_LOOKS, SignalLoss
from autoalign.strategies.base import Measurement
from autoalign.strategies.model import Model
from autoalign.strategies.response_matrix import ResponseMatrix

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("strategy", [Model, ResponseMatrix])
def test_a_shutter_that_falls_ends_the_search(strategy):
    """A few looks, back to where light was seen, and no further: the reason names the source."""
    bench = benches.collimator(seed=3)
    moves = []

    def shutter(event):
        if event.measurements == 2:
            bench.truth.world.power = 0.0
        if isinstance(event.action, Move) and bench.truth.world.power == 0.0:
            moves.append(event.action)

    session = Session.for_bench(bench, strategy(), budget=Budget(60))
    finish = run(bench, session, progress=shutter)
    assert finish.status is Status.DARK
    assert "check source, shutter and interlock" in finish.reason
    assert len(moves) <= 8
    assert session.measurements <= 8


def test_a_beam_lost_by_moving_is_still_looked_for():
    """Where light is still seen at the last lit place, the search goes on."""
    bench = benches.collimator(seed=3)
    world, lit = bench.truth.world, bench.truth.world.power
    dark = range(3, 6)

    def blink(event):
        world.power = 0.0 if event.measurements + 1 in dark else lit

    session = Session.for_bench(bench, ResponseMatrix(), budget=Budget(60))
    finish = run(bench, session, progress=blink)
    assert finish.status is not Status.DARK
    assert session.measurements > 6


@pytest.mark.parametrize(("part", "claimed"), [(0.0, True), (0.01, False)])
def test_a_beam_with_a_ghost_in_it_is_not_called_in_spec(part, claimed):
    """A ghost of 1 % that overlaps the beam may shift what is measured by more than is allowed."""
    bench = benches.collimator(seed=2)
    for camera in bench.detectors.values():
        camera.stray.ghost = part
    session = Session.for_bench(bench, Model(), budget=Budget(8))
    finish = run(bench, session)
    assert finish.in_spec is claimed
    assert ("two spots" in finish.reason) is not claimed


def test_each_time_the_light_is_found_again_the_search_may_wander_twice_as_long():
    """So a search in the dark does not spend half its looks where it knows of light."""
    light, here = SignalLoss(), np.zeros(2)
    beam = BeamProfile(np.zeros(9), np.eye(9), 1.0, 0.0, 0.0, 0.0, 1.0)
    nothing = replace(beam, flags={"dark": Flag(FlagKind.DARK, "nothing", Use.NOTHING)})
    asked = []
    light.note(Measurement(here, {"far": beam}))
    for k in range(1, 30):
        light.note(Measurement(here, {"far": nothing}))
        assert light.out
        if light.ask_again():
            asked.append(k)
            light.note(Measurement(here, {"far": beam}))
            assert not light.out
    assert asked == [DARK_LOOKS, 3 * DARK_LOOKS, 7 * DARK_LOOKS]
