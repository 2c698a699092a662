"""Meters and cameras that answer in text: numbers, several at once, blocks of pixels."""

from __future__ import annotations

from collections.abc import Iterator
from typing import Any

import numpy as np
import pytest
from autoalign_drivers.line_detectors import BLOCK, NUMBERS, BlockSettings, NumbersSettings
from autoalign_simulators.controllers import LineTalker
from autoalign_simulators.links import Fault, FaultyLine, serve
from pydantic import ValidationError

from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import DetectorError, WrongDeviceError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Detector
from autoalign.testing import DetectorConformance

PIXELS = (np.arange(24).reshape(4, 6) * 1000).astype(">u2")


class Oracle(LineTalker):
    """An invented instrument: a power, four quadrants, and a picture as a block."""

    def __init__(self, clock: Clock, **line: Any) -> None:
        super().__init__(clock, command_end=b"\n", reply_end=b"\n", **line)
        self.number, self.block = 0, PIXELS.tobytes()

    def respond(self, line: str) -> str | None:
        """Carry out one command line."""
        self.number += 1
        if line == "who":
            return "oracle 7"
        if line == "light":
            return f"light {1 + self.number / 1000:.3f} mW"
        if line == "quads":
            return " ".join(f"{k + self.number / 1000:.3f}" for k in range(4))
        if line == "look":
            digits = str(len(self.block))
            head = f"#{len(digits)}{digits}".encode("ascii")
            changed = bytearray(self.block)
            changed[-1:] = bytes((self.number % 256,))
            self._out.append((self.clock.now(), head + bytes(changed) + b"\n"))
            return None
        return "pardon"


NUMBER = r"[0-9]+\.[0-9]{3}"
TABLE: dict[str, Any] = {
    "command_end": "\n",
    "reply_end": "\n",
    "identity": {"send": "who", "reply": "oracle 7"},
}
READ: dict[str, Any] = {
    **TABLE,
    "read": [
        {"send": "light", "reply": rf"light (?P<power>{NUMBER}) mW"},
        {"send": "quads", "reply": " ".join(rf"(?P<q{k}>{NUMBER})" for k in range(4))},
    ],
    "units": {"power": "mW"},
    "uncertainty": {"power": 0.02},
}
LOOK: dict[str, Any] = {
    **TABLE,
    "pitch": "5 um",
    "picture": {"send": "look", "columns": 6, "rows": 4, "type": "u16"},
}


class Stand:
    """An instrument behind a cable that can be made bad."""

    def __init__(self) -> None:
        self.clock = VirtualClock()
        self.oracle = Oracle(self.clock)
        self.line = FaultyLine(self.oracle)
        self.link = serve(self.line, "loop")

    def open(self, table: dict[str, Any], **changes: Any) -> Any:
        """Open the driver of ``table``."""
        driver, kind = (BLOCK, BlockSettings) if "picture" in table else (NUMBERS, NumbersSettings)
        keys = {**table, "port": self.link.port, **changes}
        return driver.build("eye", "far", kind.model_validate(keys), self.clock)


@pytest.fixture
def stand() -> Iterator[Stand]:
    """Return an instrument, and end its link."""
    made = Stand()
    yield made
    made.link.close()


class TestNumbers(DetectorConformance):
    """The meter passes the suite of every detector."""

    table = READ

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return the driver on its instrument."""
        self.stand = Stand()
        return self.stand.open(self.table), self.stand.clock

    def clean_up(self) -> None:
        """End the link."""
        self.stand.link.close()


class TestBlock(TestNumbers):
    """The camera passes the suite of every detector."""

    table = LOOK


def test_several_numbers_of_one_answer(stand: Stand) -> None:
    """Every named group of a reply is a quantity, with its unit and uncertainty."""
    (reading,) = stand.open(READ).acquire(1, 0.0, 9.0)
    assert set(reading.values) == {"power", "q0", "q1", "q2", "q3"}
    assert reading.values["q3"] == pytest.approx(3, abs=0.1)
    assert reading.units == {"power": "mW"}
    assert reading.uncertainties["power"] == pytest.approx(0.02 * reading.values["power"])


def test_a_block_becomes_pixels(stand: Stand) -> None:
    """Size, type and byte order are those of the table; the pixels those of the instrument."""
    (frame,) = stand.open(LOOK).acquire(1, 3.0, 9.0)
    assert isinstance(frame, Frame)
    assert frame.pixels.dtype == np.uint16
    assert np.array_equal(frame.pixels[:3], PIXELS[:3])
    assert frame.started is not None
    assert frame.started >= 3.0


@pytest.mark.parametrize("kind", ["lose", "drop", "double", "split"])
@pytest.mark.parametrize("at", [0, 1, 2, 20])
@pytest.mark.parametrize("table", [READ, LOOK], ids=["numbers", "block"])
def test_a_disturbed_answer_is_asked_for_again(
    stand: Stand, kind: Any, at: int, table: dict[str, Any]
) -> None:
    """A byte too many or too few never shifts pixels or digits."""
    eye = stand.open(table)
    stand.line.inject(Fault(kind, at=at, seconds=0.3))
    (seen,) = eye.acquire(1, 0.0, 60.0)
    if isinstance(seen, Frame):
        assert np.array_equal(seen.pixels[:3], PIXELS[:3])
    else:
        assert seen.values["power"] == pytest.approx(1, abs=0.1)


def test_a_block_of_another_size(stand: Stand) -> None:
    """What comes and what is expected are both told, and which keys to correct."""
    eye = stand.open(LOOK, picture={**LOOK["picture"], "rows": 5})
    with pytest.raises(DetectorError, match=r"a block of b'48' bytes came, 60 are expected"):
        eye.acquire(1, 0.0, 9.0)


def test_text_in_place_of_a_block(stand: Stand) -> None:
    """A refusal is not read as pixels."""
    eye = stand.open(LOOK, picture={**LOOK["picture"], "send": "peek"})
    with pytest.raises(DetectorError, match="begins no block"):
        eye.acquire(1, 0.0, 9.0)


def test_another_instrument(stand: Stand) -> None:
    """Another identity is refused before anything is measured."""
    with pytest.raises(WrongDeviceError):
        stand.open(READ, identity={"send": "who", "reply": "oracle 8"})


@pytest.mark.parametrize(
    ("changes", "words"),
    [
        ({"read": []}, "at least 1 item"),
        ({"read": [{"send": "light", "reply": "x"}]}, "no group for a quantity"),
        ({"read": [READ["read"][0], READ["read"][0]]}, "'power' is read twice"),
        ({"units": {"powr": "mW"}}, "'powr' is not read; read are power, q0"),
        ({"read": [{"send": "go {axis}", "reply": "(?P<p>.)"}]}, r"\{axis\} is unknown"),
    ],
)
def test_mistakes_of_the_table(changes: dict[str, Any], words: str) -> None:
    """Each is refused at load, with what is allowed."""
    with pytest.raises(ValidationError, match=words):
        NumbersSettings.model_validate({**READ, "port": "/dev/made-up", **changes})
