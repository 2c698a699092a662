"""Whatever a device says: a right status, or an error of ours that names stage and port."""

from __future__ import annotations

from collections import deque

import pytest
from autoalign_drivers.line_ascii import DRIVER
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_simulators.controllers import Mover, driver_settings
from autoalign_simulators.links import serve
from autoalign_simulators.motors import Motor, MotorTraits
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import LinkError

AXIS = Axis("a.x", "mm", -1.0, 1.0)
PIECES = st.sampled_from(
    [b"#", b"1", b"2", b"3", b"4", b" at 1 ", b" is 1 ", b"resting homed", b"+00000000", b"\r\n",
     b"+00000007", b"mover axes=1 serial=0042 release=1", b"!! 1 hot", b"** mover awake", b"no 1 x",
     b"\xff", b"\x00", "٣".encode(), b"nan", b"1_0", b" "]
)  # fmt: skip
REPLIES = st.lists(st.binary(max_size=20) | st.lists(PIECES, max_size=6).map(b"".join), max_size=30)


class Liar(Mover):
    """A controller whose answers are replaced, one by one, once there are lies to tell."""

    lies: deque[bytes]

    def take(self) -> bytes:
        """Tell the next lie in place of an answer, the truth when there are none left."""
        said = super().take()
        if said and self.lies:
            return self.lies.popleft()
        return said


@pytest.mark.slow
@settings(max_examples=150, deadline=None)
@given(opening=REPLIES, asking=REPLIES)
def test_any_answers(opening: list[bytes], asking: list[bytes]) -> None:
    """No answer crashes the driver; none but the true one is taken for a position at rest.

    The true position is 0. A lie that follows the grammar twice over is a position to anybody, so
    only 0 and the 7 of the pieces can come out, and nothing that is no number.
    """
    clock = VirtualClock()
    liar = Liar(clock, [Motor("a.x", clock, MotorTraits(1e-3, 1.0, 1.0), -1.0, 1.0)])
    liar.lies = deque(opening)
    link = serve(liar, "loop")
    table = driver_settings(liar, link.port, {"a.x": "mm"})
    model = LineAsciiSettings.model_validate({**table, "quiet": "10 ms"})
    told = where = f"stage mount, port {link.port}"
    try:
        stage = DRIVER.build("mount", [AXIS], model, clock)
        liar.lies.extend(asking)
        for _ in range(3):
            position = stage.status("a.x").position
            assert position in (0.0, pytest.approx(7e-3))
        stage.close()
    except LinkError as error:
        told = str(error)
    finally:
        link.close()
    assert told.startswith(where)
