"""Light that goes out in the middle of a search is not searched for in the dark."""

from __future__ import annotations

import pytest
from autoalign_simulators import benches

from autoalign.runner import run
from autoalign.search.model import Model
from autoalign.search.response_matrix import ResponseMatrix
from autoalign.session import Budget, Move, Session, Status

pytestmark = pytest.mark.slow


@pytest.mark.parametrize("strategy", [Model, ResponseMatrix])
def test_a_shutter_that_falls_ends_the_search(strategy):
    """A few looks, back to where light was seen, and no further: the reason names the source."""
    bench = benches.collimator(seed=3)
    moves = []

    def shutter(event):
        if event.probes == 2:
            bench.truth.world.power = 0.0
        if isinstance(event.action, Move) and bench.truth.world.power == 0.0:
            moves.append(event.action)

    session = Session.for_bench(bench, strategy(), budget=Budget(60))
    finish = run(bench, session, progress=shutter)
    assert finish.status is Status.DARK
    assert "source, shutter and interlock" in finish.reason
    assert len(moves) <= 8
    assert session.probes <= 8


def test_a_beam_lost_by_moving_is_still_looked_for():
    """Where light is still seen at the last lit place, the search goes on."""
    bench = benches.collimator(seed=3)
    world, lit = bench.truth.world, bench.truth.world.power
    dark = range(3, 6)

    def blink(event):
        world.power = 0.0 if event.probes + 1 in dark else lit

    session = Session.for_bench(bench, ResponseMatrix(), budget=Budget(60))
    finish = run(bench, session, progress=blink)
    assert finish.status is not Status.DARK
    assert session.probes > 6


@pytest.mark.parametrize(("part", "claimed"), [(0.0, True), (0.01, False)])
def test_a_beam_with_a_ghost_in_it_is_not_called_in_spec(part, claimed):
    """A ghost of 1 % that overlaps the beam shifts what is measured: no claim rests on it."""
    bench = benches.collimator(seed=2)
    for camera in bench.detectors.values():
        camera.stray.ghost = part
    session = Session.for_bench(bench, Model(), budget=Budget(8))
    finish = run(bench, session)
    assert finish.in_spec is claimed
    assert ("two spots at" in finish.reason) is not claimed
