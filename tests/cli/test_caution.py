"""What is said before a real bench moves, when, and what is waited for."""

from __future__ import annotations

import io
import sys
from types import SimpleNamespace
from typing import Any

import pytest

from autoalign.adapters import AxisFunctions, FunctionDetector, FunctionStage
from autoalign.bench import Bench
from autoalign.cli.caution import caution, check_attended
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError, HeldError, UsageError
from autoalign.core.hands import HANDS_CLEAR, Hands


class Terminal(io.StringIO):
    """Standard input that says it is a terminal."""

    def isatty(self) -> bool:
        """Say so."""
        return True


class Real:
    """A real bench of one motor and one meter, and what happens on it, in order."""

    def __init__(self, *answers: str, meter: str = "") -> None:
        self.happened: list[str] = []
        self.answers = list(answers)
        self.meter = meter
        stage = FunctionStage(
            "mount", [AxisFunctions(Axis("m.x", "mm", -1, 1), self._put, lambda: 0.0)]
        )
        clock = VirtualClock()
        detector = FunctionDetector("meter", "far", self._grab, clock=clock)
        self.bench = Bench(
            "real", {"mount": stage}, {"meter": detector}, clock=clock, hands=Hands(self._ask)
        )
        self.file: Any = SimpleNamespace(tables=SimpleNamespace(simulation=None), layout=None)

    def _put(self, position: float) -> None:
        self.happened.append("move")

    def _grab(self) -> dict[str, float]:
        self.happened.append("exposure")
        if self.meter:
            raise OSError(self.meter)
        return {"q": 1.0}

    def _ask(self, question: str) -> str:
        assert question == HANDS_CLEAR
        self.happened.append("question")
        if not self.answers:
            raise EOFError
        return self.answers.pop(0)


def test_enter_is_waited_for_once_everything_has_answered(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """One exposure, the caution, the question; nothing moves, and the word is remembered."""
    real = Real("")
    caution(real.file, real.bench, yes=False)
    assert real.happened == ["exposure", "question"]
    assert real.bench.hands.clear
    said = " ".join(capsys.readouterr().err.split())
    assert "motors start without warning" in said
    assert "not a safety function" in said
    assert "notice at the door" not in said


@pytest.mark.parametrize("answers", [("stop",), ()])
def test_without_enter_nothing_starts(answers: tuple[str, ...]) -> None:
    """Stop, and an input that has ended, are no consent."""
    real = Real(*answers)
    with pytest.raises(HeldError, match="no motor was started"):
        caution(real.file, real.bench, yes=False)
    assert "move" not in real.happened


def test_a_camera_that_does_not_answer_is_told_before_anybody_is_cautioned(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """No question about a bench that cannot be aligned."""
    real = Real("", meter="unplugged")
    with pytest.raises(DetectorError, match="unplugged"):
        caution(real.file, real.bench, yes=False)
    assert real.happened == ["exposure"]
    assert capsys.readouterr().err == ""


def test_yes_prints_the_caution_and_waits_for_nobody(capsys: pytest.CaptureFixture[str]) -> None:
    """Nor does it say that hands are clear, where an axis is turned by hand."""
    real = Real()
    caution(real.file, real.bench, yes=True, unattended=True)
    assert real.happened == ["exposure"]
    assert not real.bench.hands.clear
    assert "notice at the door" in " ".join(capsys.readouterr().err.split())


def test_a_word_given_earlier_does_not_count() -> None:
    """Every command asks anew."""
    real = Real("", "stop")
    caution(real.file, real.bench, yes=False)
    with pytest.raises(HeldError):
        caution(real.file, real.bench, yes=False)


@pytest.mark.parametrize(
    ("simulated", "stdin", "yes", "refused"),
    [
        (False, io.StringIO(""), False, True),
        (False, None, False, True),
        (False, io.StringIO(""), True, False),
        (False, Terminal(""), False, False),
        (True, io.StringIO(""), False, False),
    ],
)
def test_a_real_bench_needs_a_terminal_or_yes(
    monkeypatch: pytest.MonkeyPatch, simulated: bool, stdin: Any, yes: bool, refused: bool
) -> None:
    """Without a terminal nobody could answer; a simulated bench hurts nobody."""
    monkeypatch.setattr(sys, "stdin", stdin)
    file: Any = SimpleNamespace(
        tables=SimpleNamespace(simulation=object() if simulated else None), layout=None
    )
    if not refused:
        check_attended(file, yes)
        return
    with pytest.raises(UsageError, match="--yes"):
        check_attended(file, yes)


def test_a_simulated_bench_is_neither_read_nor_cautioned_about(
    capsys: pytest.CaptureFixture[str],
) -> None:
    """The demo needs no Enter."""
    real = Real()
    real.file.tables.simulation = object()
    caution(real.file, real.bench, yes=False)
    assert real.happened == []
    assert capsys.readouterr().err == ""
