"""Every fault has a switch, and each does what its name says."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.collimator import simulate
from autoalign_simulators.faults import INJECTORS, inject
from autoalign_simulators.simulation import BenchSimulation

from autoalign.core.errors import MotionFaultError, UnknownNameError

CAMERA_FAULTS = (
    "saturate", "dark-exposure", "frozen", "torn", "silent", "stale", "room-light", "second-spot",
)  # fmt: skip


@pytest.fixture
def bench() -> BenchSimulation:
    """Return an everyday bench."""
    return simulate(1)


def mean(bench: BenchSimulation) -> float:
    """Return the mean pixel value of a new frame of the near plane."""
    now = bench.clock.now()
    return float(bench.detectors["near"].acquire(1, now, now + 60)[0].pixels.mean())


def test_a_closed_shutter_is_dark_and_the_light_comes_back(bench: BenchSimulation) -> None:
    """Power off: nothing but background; power back: as before."""
    camera = bench.detectors["near"]
    before = camera.rate(0.0)
    inject(bench, "shutter")
    assert camera.rate(0.0).max() < 0.01 * before.max()
    inject(bench, "light-back")
    assert np.array_equal(camera.rate(0.0), before)


def test_a_power_drop_scales_the_beam_and_moves_nothing(bench: BenchSimulation) -> None:
    """30 % of the power: the same picture, weaker."""
    camera = bench.detectors["near"]
    before = camera.rate(0.0).astype(float)
    inject(bench, "power-drop", size=0.3)
    after = camera.rate(0.0).astype(float)
    room = before[0, 0]
    assert np.allclose(after - room, 0.3 * (before - room), atol=0.02 * before.max())


def test_a_card_hides_one_side_of_the_beam(bench: BenchSimulation) -> None:
    """40 % of the mirror's width covered from one side: light lost there, a sharp edge, undone."""
    camera = bench.detectors["near"]
    before, power = camera.rate(0.0).astype(float), bench.truth.power()
    inject(bench, "card")
    after = camera.rate(0.0).astype(float)
    assert 0.5 * power < bench.truth.power() < 0.8 * power
    assert after.sum() < 0.8 * before.sum()
    hidden = (before > 0.3 * before.max()) & (after < 0.02 * before.max())
    clear = (before > 0.3 * before.max()) & (after > 0.95 * before)
    assert hidden.sum() > 1000
    assert clear.sum() > 10_000
    inject(bench, "card-away")
    assert np.array_equal(camera.rate(0.0), before)


def test_motion_faults_reach_the_stage(bench: BenchSimulation) -> None:
    """An alarm refuses moves and shows in the status; cleared, the axis moves again."""
    stage = bench.stages["source"]
    inject(bench, "limit-switch", "source.x")
    assert stage.status("source.x").fault == "limit switch"
    with pytest.raises(MotionFaultError, match="limit switch"):
        stage.start_move("source.x", 1.0)
    inject(bench, "alarm-cleared", "source.x")
    stage.start_move("source.x", 1.0)
    inject(bench, "stall", "source.x")
    bench.clock.sleep(100.0)
    assert stage.status("source.x").moving
    inject(bench, "power-cut", "source.x")
    assert not stage.status("source.x").homed
    inject(bench, "restless", "source.y")
    assert stage.status("source.y").moving


def test_a_slip_moves_the_beam_but_not_the_reading(bench: BenchSimulation) -> None:
    """Lost steps are seen by the cameras alone."""
    before = bench.truth.parameters()["pointing_x"]
    inject(bench, "slip", "mirror.tilt", 1e-3)
    assert bench.stages["mirror"].status("mirror.tilt").position == 0.0
    assert abs(bench.truth.parameters()["pointing_x"] - before) == pytest.approx(2e-3, rel=0.1)


def test_camera_faults_reach_the_frames(bench: BenchSimulation) -> None:
    """Saturated, dark, bright-room frames."""
    plain = mean(bench)
    inject(bench, "saturate", "near")
    assert mean(bench) > 1.3 * plain
    inject(bench, "dark-exposure", "near")
    assert mean(bench) == pytest.approx(32, abs=3)
    inject(bench, "saturate", "near", 1.0)
    inject(bench, "room-light", "near", 1e5)
    assert mean(bench) > 1.3 * plain


def test_unknown_names_are_errors(bench: BenchSimulation) -> None:
    """A fault, an axis or a camera that does not exist is named with what there is."""
    with pytest.raises(UnknownNameError, match=r"no fault named 'stal'.*Did you mean 'stall'"):
        inject(bench, "stal", "source.x")
    with pytest.raises(UnknownNameError, match=r"no axis named 'source.q'"):
        inject(bench, "stall", "source.q")
    with pytest.raises(UnknownNameError, match=r"no camera named 'middle'"):
        inject(bench, "frozen", "middle")


@pytest.mark.parametrize("fault", sorted(INJECTORS))
def test_every_fault_can_be_injected(fault: str, bench: BenchSimulation) -> None:
    """No switch is dead: each changes the state of what it names."""
    motor, camera = bench.motors["source.x"], bench.detectors["near"]

    def state() -> str:
        return repr((
            motor.fault, motor.stalled, motor.deaf, motor.restless, motor.homed,
            motor.true_position(), camera.faults, camera.stray, bench.truth.world.power,
            bench.truth.train.blemishes,
        ))  # fmt: skip

    undone = {
        "release": "stall",
        "alarm-cleared": "alarm",
        "light-back": "shutter",
        "card-away": "card",
    }
    if fault in undone:
        inject(bench, undone[fault], "source.x")
    before = state()
    inject(bench, fault, "near" if fault in CAMERA_FAULTS else "source.x")
    assert state() != before
