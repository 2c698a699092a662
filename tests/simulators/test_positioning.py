"""How well a simulated stage positions, by the measures of ISO 230-2:2014 (from memory).

With m targets approached n times from either side: B_i = mean(up) − mean(down), B = max |B_i|;
unidirectional R_i = 4 s_i; bidirectional R_i = max(2 s_up + 2 s_dn + |B_i|, 4 s_up, 4 s_dn).
At least 5 targets and 5 runs.
"""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.motors import Motor, MotorTraits

from autoalign.core.axes import Axis, approach_legs
from autoalign.core.clock import VirtualClock

TARGETS = np.array([-0.83, -0.41, 0.07, 0.39, 0.88])
STEP, PLAY = 5e-4, 8e-3


def stage(**traits: float) -> Motor:
    """Return a motor of the demo's kind, ±2 mm."""
    base = {"step": STEP, "speed": 2.0, "acceleration": 10.0, "backlash": PLAY}
    return Motor("source.x", VirtualClock(), MotorTraits(**{**base, **traits}), -2.0, 2.0)


def arrive(motor: Motor, *legs: float) -> float:
    """Go through ``legs`` and return the true position."""
    for leg in legs:
        motor.start(leg)
        while motor.moving:
            motor.clock.sleep(0.05)
    return motor.true_position()


def runs(motor: Motor, axis: Axis | None = None) -> tuple[np.ndarray, np.ndarray]:
    """Deviations (5 runs, 5 targets) after arriving from below and from above.

    ``axis`` takes up play by its own approach; None goes straight.
    """
    up, down = np.zeros((5, 5)), np.zeros((5, 5))
    here = 0.0

    def to(target: float) -> float:
        nonlocal here
        legs = (target,) if axis is None else approach_legs(axis, here, target)
        here = target
        return arrive(motor, *legs) - target

    for run in range(5):
        to(-1.5)
        up[run] = [to(t) for t in TARGETS]
        to(1.5)
        down[run] = [to(t) for t in TARGETS[::-1]][::-1]
    return up, down


def reversal(up: np.ndarray, down: np.ndarray) -> np.ndarray:
    """B_i at every target."""
    return up.mean(axis=0) - down.mean(axis=0)


def bidirectional(up: np.ndarray, down: np.ndarray) -> float:
    """R, the largest R_i."""
    s_up, s_down = up.std(axis=0, ddof=1), down.std(axis=0, ddof=1)
    both = 2 * s_up + 2 * s_down + np.abs(reversal(up, down))
    return float(np.max([both, 4 * s_up, 4 * s_down]))


def test_reversal_value_is_the_play() -> None:
    """Straight approaches from either side differ by the play at every target."""
    up, down = runs(stage())
    assert np.abs(reversal(up, down)) == pytest.approx(np.full(5, PLAY), abs=STEP)
    assert bidirectional(up, down) == pytest.approx(PLAY, abs=2 * STEP)


def test_one_sided_approach_leaves_no_reversal() -> None:
    """With an overshoot larger than the play, B and R shrink to nothing, whatever the side."""
    axis = Axis("source.x", "mm", -2.0, 2.0, resolution=STEP, backlash=PLAY, speed=2.0)
    up, down = runs(stage(), axis)
    assert np.max(np.abs(reversal(up, down))) < 1e-9
    assert bidirectional(up, down) < 1e-9


def test_play_larger_than_stated_shows_as_reversal() -> None:
    """An approach that overshoots by less than the true play leaves the rest of it."""
    axis = Axis("source.x", "mm", -2.0, 2.0, resolution=STEP, backlash=PLAY, speed=2.0)
    up, down = runs(stage(backlash=5 * PLAY), axis)
    assert np.max(np.abs(reversal(up, down))) > PLAY
