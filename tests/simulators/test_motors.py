"""Motors: the readback and the truth, in time."""

from __future__ import annotations

import itertools

import pytest
from autoalign_simulators.motors import Motor, MotorTraits

from autoalign.core.clock import VirtualClock
from autoalign.core.errors import MotionFaultError, TravelLimitError


def make(clock: VirtualClock, **traits: float) -> Motor:
    """Return a motor of 1 unit a count, ±1000."""
    base = {"step": 1.0, "speed": 100.0, "acceleration": 1000.0}
    return Motor("source.x", clock, MotorTraits(**{**base, **traits}), -1000.0, 1000.0)


def run(motor: Motor, clock: VirtualClock, target: float) -> float:
    """Move and wait; return the true position."""
    motor.start(target)
    while motor.moving:
        clock.sleep(0.01)
    return motor.true_position()


def test_backlash_vector() -> None:
    """13 steps of play: +500, −10, +20, −5 give the true positions 500, 500, 510, 510."""
    # Derived here: a nut with 13 steps of clearance follows its screw only once they are used up.
    clock = VirtualClock()
    motor = make(clock, backlash=13.0)
    true, commanded = [], 0.0
    for way in (500.0, -10.0, 20.0, -5.0):
        commanded += way
        true.append(run(motor, clock, commanded))
        assert motor.position == commanded
    assert true == pytest.approx([500.0, 500.0, 510.0, 510.0], abs=1e-9)


def test_trapezoid_takes_distance_over_speed_plus_ramp() -> None:
    """A long move lasts d/v + v/a; a short one 2√(d/a)."""
    clock = VirtualClock()
    motor = make(clock)
    motor.start(500.0)
    assert motor.arrival == pytest.approx(500 / 100 + 100 / 1000)
    clock.sleep(motor.arrival / 2)
    assert motor.true_position() == pytest.approx(250.0)
    assert motor.velocity == pytest.approx(100.0)
    clock.sleep(10.0)
    begun = clock.now()
    motor.start(504.0)
    assert motor.arrival - begun == pytest.approx(2 * (4 / 1000) ** 0.5)


def test_readback_is_whole_counts_and_the_truth_is_not() -> None:
    """Targets and readback are quantised; scale error and screw error show in the truth alone."""
    clock = VirtualClock()
    motor = make(clock, scale=1.02, wave=0.3, wave_period=4.0)
    run(motor, clock, 101.3)
    assert motor.position == 101.0
    assert motor.counts == 101
    assert motor.true_position() == pytest.approx(1.02 * 101 + 0.3)


def test_stop_brakes_within_the_stopping_distance() -> None:
    """From full speed a stop takes v/a and v²/2a, and the move never reaches its target."""
    clock = VirtualClock()
    motor = make(clock)
    motor.start(500.0)
    clock.sleep(1.0)
    before = motor.true_position()
    motor.stop()
    assert motor.moving
    clock.sleep(0.1 + 1e-9)
    assert not motor.moving
    assert motor.true_position() - before == pytest.approx(100**2 / 2000)


def test_new_order_under_way_brakes_then_goes() -> None:
    """A reversal under way stays continuous and ends at the new target, play taken up backwards."""
    clock = VirtualClock()
    motor = make(clock, backlash=13.0)
    motor.start(500.0)
    clock.sleep(1.0)
    motor.start(0.0)
    seen = [motor.true_position()]
    while motor.moving:
        clock.sleep(0.01)
        seen.append(motor.true_position())
    assert max(abs(b - a) for a, b in itertools.pairwise(seen)) <= 100 * 0.01 + 1e-9
    assert motor.position == 0.0
    assert motor.true_position() == pytest.approx(13.0)


def test_recent_past_can_be_asked() -> None:
    """The position at an earlier time is the one that was there then."""
    clock = VirtualClock()
    motor = make(clock)
    motor.start(100.0)
    clock.sleep(0.5)
    then, middle = clock.now(), motor.true_position()
    clock.sleep(3.0)
    motor.start(-100.0)
    clock.sleep(1.0)
    assert motor.true_position(then) == middle


def test_unequal_steps_drift() -> None:
    """Where backward steps are 10 % larger, a round trip does not return."""
    clock = VirtualClock()
    motor = make(clock, backward=1.1)
    run(motor, clock, 100.0)
    assert run(motor, clock, 0.0) == pytest.approx(-10.0)
    assert motor.position == 0.0


def test_creep_goes_on_after_the_move() -> None:
    """Creep adds its share of the move with its time constant."""
    clock = VirtualClock()
    motor = make(clock, creep=0.02, creep_time=5.0)
    motor.start(100.0)
    clock.sleep(motor.arrival - clock.now())
    assert motor.true_position() == pytest.approx(100.0, abs=1e-6)
    clock.sleep(500.0)
    assert motor.true_position() == pytest.approx(102.0)


def test_limits_and_faults_refuse_a_move() -> None:
    """A target beyond a limit switch, or a fault, leaves everything where it was."""
    clock = VirtualClock()
    motor = make(clock)
    with pytest.raises(TravelLimitError, match=r"asked for 1001, .* -1000 to 1000; nothing"):
        motor.start(1001.0)
    motor.fault = "limit switch"
    with pytest.raises(MotionFaultError, match="limit switch"):
        motor.start(1.0)
    assert motor.position == 0.0
    assert not motor.moving
    motor.fault = ""
    run(motor, clock, 1000.0)
    assert motor.position == 1000.0


def test_power_cut_loses_the_zero_and_homing_finds_it() -> None:
    """After a power cut the position reads 0 where it stands; homing brings the true zero back."""
    clock = VirtualClock()
    motor = make(clock)
    run(motor, clock, 300.0)
    motor.power_cycle()
    assert (motor.position, motor.homed, motor.true_position()) == (0.0, False, 300.0)
    motor.home()
    assert not motor.homed
    clock.sleep(10.0)
    assert (motor.position, motor.homed, motor.true_position()) == (0.0, True, 0.0)


def test_stalled_shaft_says_moving_until_stopped() -> None:
    """A stall keeps position and the moving flag; stop ends it; a free shaft moves again."""
    clock = VirtualClock()
    motor = make(clock)
    motor.start(500.0)
    clock.sleep(1.0)
    motor.stall()
    where = motor.true_position()
    clock.sleep(100.0)
    assert motor.moving
    assert motor.true_position() == where
    motor.stop()
    assert not motor.moving
    motor.release()
    assert run(motor, clock, 0.0) == pytest.approx(0.0)


def test_slip_is_invisible_to_the_controller() -> None:
    """Lost steps change the truth, not the readback, also in the middle of a move."""
    clock = VirtualClock()
    motor = make(clock)
    motor.start(500.0)
    clock.sleep(1.0)
    motor.slip(-7.0)
    clock.sleep(100.0)
    assert motor.position == 500.0
    assert motor.true_position() == pytest.approx(493.0)


def test_deaf_motor_ignores_stop_and_restless_one_never_ends() -> None:
    """The two motion faults that only a watcher outside can notice."""
    clock = VirtualClock()
    motor = make(clock)
    motor.deaf = True
    motor.start(100.0)
    motor.stop()
    clock.sleep(10.0)
    assert motor.true_position() == pytest.approx(100.0)
    motor.restless = True
    assert motor.moving
