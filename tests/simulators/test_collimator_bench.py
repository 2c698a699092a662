"""The simulated collimator as a whole: reproducible, alignable, seen by its cameras."""

from __future__ import annotations

import itertools

import numpy as np
import pytest
import serial
from autoalign_simulators import benches
from autoalign_simulators.collimator import START, simulate

from autoalign.bench import Bench
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError, HardwareError, TravelLimitError, UnknownNameError
from autoalign.core.interfaces import Detector, Simulation, Stage
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout


def go_to(bench: Bench, positions: dict[str, float]) -> None:
    """Approach every target from below, past the play, and wait."""
    for back in (True, False):
        for name, target in positions.items():
            axis = bench.axes[name]
            bench.stage_of(name).start_move(name, target - back * axis.overshoot)
        while any(bench.stage_of(a).status(a).moving for a in positions):
            bench.clock.sleep(0.05)


def test_it_is_what_the_interfaces_ask_for() -> None:
    """Stages, cameras and the simulation satisfy the protocols."""
    simulation = simulate(0)
    assert isinstance(simulation, Simulation)
    assert all(isinstance(s, Stage) for s in simulation.stages.values())
    assert all(isinstance(d, Detector) for d in simulation.detectors.values())


@pytest.mark.slow
def test_same_seed_same_run() -> None:
    """Two benches of one seed give the same frames, pixel for pixel, before and after a move."""
    first, second, other = (benches.collimator(seed=s) for s in (5, 5, 6))
    for bench in (first, second, other):
        go_to(bench, {"source.x": 0.4})
    a, b, c = (x.detectors["far"].acquire(2, 0.0, 100.0) for x in (first, second, other))
    assert np.array_equal(a[1].pixels, b[1].pixels)
    assert not np.array_equal(a[1].pixels, c[1].pixels)
    assert not np.array_equal(a[0].pixels, a[1].pixels)


@pytest.mark.parametrize("seed", range(8))
def test_an_everyday_bench_can_be_brought_into_spec_inside_its_travel(seed: int) -> None:
    """Out of spec at the start; in spec at the hidden aligned readings, which lie inside."""
    bench = benches.collimator(seed=seed)
    assert bench.spec is not None
    assert not bench.truth.in_spec(bench.spec)
    aligned = bench.truth.aligned()
    for name, target in aligned.items():
        low, high = bench.axes[name].reachable
        assert low < target < high
    go_to(bench, aligned)
    assert bench.truth.in_spec(bench.spec)


def test_axes_read_zero_at_the_start_and_the_misalignment_is_hidden() -> None:
    """Readings say nothing of the misalignment, which stays inside the family's ranges."""
    bench = benches.collimator(seed=3)
    assert set(bench.positions().values()) == {0.0}
    assert all(0 < abs(v) <= START[a] for a, v in bench.truth.hidden.items())


def test_an_ideal_bench_is_aligned_and_grows_by_its_source_alone() -> None:
    """Without any effect the beam is on axis and round, and d² = D² + (Θz)² with Θ = core/ρ."""
    # Hyperbola of the width: ISO 11146-1, from memory; here with an evenly overfilled aperture.
    layout = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.2, 660e-6, emission="uniform")
    parameters = simulate(0, ideal=True, layout=layout).truth.parameters()
    assert abs(parameters["pointing_x"]) < 1e-7
    assert abs(parameters["astigmatism_0"]) < 1e-4
    squares = parameters["far.xx"] ** 2 - parameters["near.xx"] ** 2
    assert squares == pytest.approx((0.1 / 150) ** 2 * (2400**2 - 400**2), rel=0.01)


def test_frames_wait_for_their_time_and_carry_it() -> None:
    """An exposure begins at or after ``not_before``; the clock is past its end on return."""
    bench = benches.collimator(seed=1)
    frames = bench.detectors["near"].acquire(3, 2.0, 10.0)
    assert [f.sequence for f in frames] == [1, 2, 3]
    assert frames[0].started == 2.0
    assert all(b.started >= a.ended for a, b in itertools.pairwise(frames))
    assert bench.clock.now() >= frames[-1].ended


def test_a_deadline_that_cannot_be_kept_is_an_error() -> None:
    """The camera gives up at the deadline and says what it needed."""
    bench = benches.collimator(seed=1)
    with pytest.raises(DetectorError, match=r"camera near: 0 of 2 frames .* Allow more time"):
        bench.detectors["near"].acquire(2, 5.0, 5.001)
    assert bench.clock.now() == pytest.approx(5.001)


def test_limits_names_and_closing_are_checked_at_the_stage() -> None:
    """The stage refuses what a session should never have asked."""
    bench = benches.collimator(seed=1)
    stage = bench.stages["source"]
    with pytest.raises(TravelLimitError, match=r"source.x: asked for 7 mm"):
        stage.start_move("source.x", 7.0)
    with pytest.raises(UnknownNameError, match=r"no axis named 'source.q'"):
        stage.status("source.q")
    stage.close()
    stage.close()
    with pytest.raises(HardwareError, match="closed"):
        stage.start_move("source.x", 1.0)


def test_unknown_switch_is_named() -> None:
    """A misspelt effect is an error with a hint, not a bench without the effect."""
    with pytest.raises(UnknownNameError, match=r"'backlahs'.*Did you mean 'backlash'"):
        simulate(0, backlahs=False)


def test_any_clock_will_do() -> None:
    """The world lives in the clock that it is given."""
    clock = VirtualClock()
    simulation = simulate(2, clock=clock)
    simulation.stages["mirror"].start_move("mirror.tip", 1e-3)
    assert simulation.stages["mirror"].status("mirror.tip").moving
    clock.sleep(5.0)
    assert not simulation.stages["mirror"].status("mirror.tip").moving


def test_inertia_drives_lose_their_way() -> None:
    """With unequal steps a round trip ends elsewhere, although the reading is back at zero."""
    simulation = simulate(2, ideal=True, inertia=True)
    motor = simulation.motors["source.x"]
    for target in (1.0, 0.0):
        motor.start(target)
        simulation.clock.sleep(10.0)
    assert motor.position == 0.0
    assert 0.05 <= abs(motor.true_position()) <= 0.3


def test_creep_is_a_thousandth_of_the_move() -> None:
    """What comes after a move of 1 mm is 1 µm, most of it within ten seconds."""
    simulation = simulate(2, ideal=True, creep=True)
    motor = simulation.motors["source.x"]
    motor.start(1.0)
    simulation.clock.sleep(motor.arrival)
    at_once = motor.true_position()
    simulation.clock.sleep(60.0)
    assert motor.true_position() - at_once == pytest.approx(1e-3, rel=1e-3)


def test_a_served_controller_drives_the_same_motors() -> None:
    """Over a link the controller's first axis is the stage's first; unknown stages are named."""
    with simulate(2) as simulation:
        port = simulation.serve("source", "loop")
        with serial.serial_for_url(port, timeout=1) as line:
            line.write(b"go 1 1000\r")
            assert line.readline() == b"go 1 +00001000\r\n"
        simulation.clock.sleep(10.0)
        assert simulation.stages["source"].status("source.x").position == pytest.approx(0.5)
        with pytest.raises(UnknownNameError, match=r"no stage named 'sauce'.*'source'"):
            simulation.serve("sauce", "loop")
