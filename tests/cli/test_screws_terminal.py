"""The packaged template, with its own screws, aligned at a terminal by somebody who takes time."""

from __future__ import annotations

import io
import json
import os
import re
import sys
import threading
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli import main
from autoalign.config import example, read_bench_file
from autoalign.config.simulating import simulated_world
from autoalign.core.hands import HANDS_CLEAR

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform == "win32", reason="has no pseudo-terminals"),
]

TURN, SCALE, CLEAR = "as asked)? ", "does its scale read", HANDS_CLEAR
MINUTE = 60.0


class Person(threading.Thread):
    """Reads a terminal and answers each question a minute of the bench's time after it came."""

    def __init__(self, terminal: int) -> None:
        super().__init__(daemon=True)
        self.terminal = terminal
        self.world: Any = None
        self.screen = ""
        self.questions: list[str] = []
        self.moving: list[str] = []

    def run(self) -> None:
        """Answer until the terminal is closed."""
        answered = 0
        while True:
            try:
                self.screen += os.read(self.terminal, 4096).decode("utf-8", "replace")
            except OSError:
                return
            now = self.screen[answered:]
            if not now.endswith((TURN, CLEAR)) and not re.search(rf"{SCALE}[^?]*\? $", now):
                continue
            answered = len(self.screen)
            self.questions.append(now.rstrip().splitlines()[-1])
            for _ in range(6):
                self.moving += self._motors_in_motion()
                self.world.clock.sleep(MINUTE / 6)
            os.write(self.terminal, b"0\n" if SCALE in self.questions[-1] else b"\n")

    def _motors_in_motion(self) -> list[str]:
        source = self.world.stages["source"]
        return [n for n in source.axes if source.status(n).moving]


def simulated_template(path: Path) -> Path:
    """Write the template as it is, but for its port and cameras: these are simulated.

    The controller of the source is that of the demo, spoken to over a link in its own words; the
    screws of the mirror are the template's.
    """
    text = example("own-bench").read_text(encoding="utf-8")
    demo = example("demo").read_text(encoding="utf-8")
    source = re.compile(
        r"^\[stages\.source\]\n.*?(?=^(?:\[stages\.mirror\]|# Axes without))", re.M | re.S
    )
    match = source.search(demo)
    assert match is not None
    text, count = source.subn(lambda _: match[0], text)
    assert count == 1
    cameras = re.compile(r"^# Cameras whose.*?(?=^\[spec\])", re.M | re.S)
    seen = "".join(
        f'[detectors.{p}]\ndriver = "simulated"\nplane = "{p}"\n' for p in ("near", "far")
    )
    text, count = cameras.subn(lambda _: seen, text)
    assert count == 1
    text += '\n[simulation]\nbench = "collimator"\nseed = 0\nlink = "loop"\n'
    path.write_text(text, encoding="utf-8")
    return path


def test_the_template_is_aligned_by_answers_that_take_a_minute_each(
    tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """To the best place; no motor in motion at any question, and hands clear before each start.

    The beam is shown to be in spec, and is by the hidden truth.

    Before, such a run ended with a controller that "says it is moving", idle at its target: the
    deadline of the motor ran while the person turned the screw.
    """
    bench = simulated_template(tmp_path / "bench.toml")
    master, slave = os.openpty()
    person = Person(master)

    def kept(*arguments: Any) -> Any:
        person.world = simulated_world(*arguments)
        return person.world

    monkeypatch.setattr("autoalign.config.opening.simulated_world", kept)
    terminal = os.fdopen(os.dup(slave), "r", encoding="utf-8")
    screen = io.TextIOWrapper(
        os.fdopen(os.dup(slave), "wb", 0), encoding="utf-8", write_through=True
    )
    for name, stream in (("stdin", terminal), ("stdout", screen), ("stderr", screen)):
        monkeypatch.setattr(sys, name, stream)
    person.start()
    code = main(["align", str(bench), "--output", str(tmp_path / "run"), "--fresh"])
    monkeypatch.undo()
    for end in (terminal, screen):
        end.close()
    os.close(slave)
    person.join(10)
    os.close(master)
    assert code == 0, person.screen
    result = json.loads((tmp_path / "run" / "result.json").read_text())
    assert result["in_spec"]
    spec = read_bench_file(bench).spec
    assert spec is not None
    assert person.world.truth.in_spec(spec)
    assert person.moving == []
    turns = [q for q in person.questions if q.endswith(TURN.strip())]
    assert len([q for q in person.questions if SCALE in q]) == 3
    assert len(turns) >= 4
    assert {q.partition(" ")[0] for q in turns} == {"mirror.tip", "mirror.tilt"}
    assert HANDS_CLEAR.strip() in person.questions
    assert "Before you touch the bench" in person.screen
