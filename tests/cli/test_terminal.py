"""What is printed fits the terminal, whichever it is, and long work says where it is."""

from __future__ import annotations

import io
import json
import re
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli.output import print_pairs, print_table, print_text, warn
from autoalign.cli.progress import telling

Run = Callable[..., Any]


class Terminal(io.StringIO):
    """A stream that says it is a terminal."""

    def isatty(self) -> bool:
        """Return True."""
        return True


@pytest.fixture
def terminal(monkeypatch: pytest.MonkeyPatch) -> Callable[[int], Terminal]:
    """Make both streams one terminal of so many columns."""

    def make(columns: int) -> Terminal:
        shown = Terminal()
        monkeypatch.setenv("COLUMNS", str(columns))
        for name in ("stdout", "stderr"):
            monkeypatch.setattr(sys, name, shown)
        return shown

    return make


HEADER = ("axis", "steps of at most", "because of", "travel of at least")
ROWS = (
    ("source.x", "1.2 µm", "pointing sideways (x)", "± 0.52 mm"),
    ("mirror.clocking", "0.14 mrad", "ellipticity, far to near", "± 5.1 mrad"),
)


@pytest.mark.parametrize("columns", [40, 60, 80, 120, 200])
def test_tables_pairs_and_cautions_fit_the_terminal(
    terminal: Callable[[int], Terminal], columns: int
) -> None:
    """No line is longer than the terminal is wide, and no word of a cell is lost."""
    shown = terminal(columns)
    print_table(HEADER, ROWS)
    print_pairs([("reflected focal length", "150.0000 mm, measured along the chief ray")])
    print_text("Which way each axis moves the spot. " * 5)
    warn("Caution: motors start now and the beam swings; block or dim the beam first. " * 3)
    lines = shown.getvalue().splitlines()
    assert max(map(len, lines)) <= columns
    words = " ".join(lines).split()
    for row in ROWS:
        for word in " ".join(row).split():
            assert word in words


def test_a_table_in_a_pipe_keeps_a_line_for_each_row(capsys: pytest.CaptureFixture[str]) -> None:
    """What a program reads is not wrapped."""
    print_table(HEADER, [(*ROWS[0][:3], "x " * 120)])
    assert len(capsys.readouterr().out.splitlines()) == 2


def test_piped_work_says_where_it_is_once_a_minute(
    capsys: pytest.CaptureFixture[str], monkeypatch: pytest.MonkeyPatch
) -> None:
    """Short work is silent; long work prints a line a minute."""
    now = iter([0.0, 30.0, 61.0, 62.0, 125.0])
    monkeypatch.setattr(time, "monotonic", lambda: next(now))
    with telling() as tell:
        for step in "abcd":
            tell(step)
    assert capsys.readouterr().err.split() == ["b", "d"]


def test_a_live_line_leaves_nothing_behind(terminal: Callable[[int], Terminal]) -> None:
    """It never takes more than one line of the terminal, and that one is erased at the end."""
    shown = terminal(40)
    with telling() as tell:
        tell("collimator, seed 3, response-matrix: 12 measurements, in spec [bold]" * 3)
    text = shown.getvalue()
    assert text.count("\n") == 1
    assert text.endswith("\x1b[1A\x1b[2K")
    assert all(len(part) <= 40 for part in re.split(r"[\r\n]|\x1b\[[?0-9;]*[A-Za-z]", text))


@pytest.mark.parametrize(
    "command",
    [
        ("plan", "absent.toml"), ("check", "absent.toml"), ("align", "absent.toml"),
        ("watch", "absent.toml", "--output", "w"), ("compare", "--benches", "absent"),
        ("benchmark", "--only", "absent"), ("report", "absent.db"), ("gallery", "absent"),
        ("plugins", "absent"), ("demo", "--seed", "-1"), ("measure", "absent.toml"),
        ("measure", "--nonsense"), ("measure",),
    ],
    ids=" ".join,
)  # fmt: skip
def test_under_json_errors_are_json(
    run: Run, command: tuple[str, ...], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Every command: standard output can be parsed, and names the error and the exit code."""
    monkeypatch.chdir(tmp_path)
    said = run(*command, "--json")
    error = json.loads(said.out)["error"]
    assert error["exit_code"] == said.code == 2
    assert error["message"].split()[0] in said.err
    assert not list(tmp_path.iterdir())
