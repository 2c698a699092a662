"""When an axis has arrived: a single agreeable readback is not enough."""

from __future__ import annotations

import pytest

from autoalign.core.axes import Axis
from autoalign.core.errors import MotionFaultError, MotionTimeoutError
from autoalign.core.interfaces import AxisStatus
from autoalign.run.arrival import MoveTracker, allowed_time

AXIS = Axis("a.x", "mm", -5, 5, resolution=0.01, speed=1.0)


def test_arrived_is_read_back_twice() -> None:
    """Passing the target at an idle-looking moment does not count."""
    journey = MoveTracker(AXIS, 0.0, [1.0], 0.0)
    assert not journey.look(AxisStatus(1.0, moving=False), 1.0)
    assert not journey.look(AxisStatus(1.2, moving=True), 1.1)
    assert not journey.look(AxisStatus(1.0, moving=False), 1.2)
    assert journey.look(AxisStatus(1.0, moving=False), 1.3)


@pytest.mark.parametrize(
    "status",
    [AxisStatus(0.5, moving=True, homed=False), AxisStatus(0.5, moving=True, fault="alarm 3")],
)
def test_homing_lost_on_the_way_is_a_fault(status: AxisStatus) -> None:
    """An axis that forgets its zero, or raises an alarm, is not waited for."""
    with pytest.raises(MotionFaultError, match=r"a\.x: .*(homed|alarm 3).* on the way to 1 mm"):
        MoveTracker(AXIS, 0.0, [1.0], 0.0).look(status, 0.5)


def test_the_deadline_follows_distance_and_speed() -> None:
    """Three times the expected time and five seconds; then it is over."""
    assert allowed_time(AXIS, -2.0) == 11.0
    journey = MoveTracker(AXIS, 0.0, [2.0], 100.0)
    assert not journey.look(AxisStatus(0.5, moving=True), 110.9)
    with pytest.raises(MotionTimeoutError, match="not at rest at 2 mm"):
        journey.look(AxisStatus(0.6, moving=True), 111.1)
