"""What the README shows runs as printed: every Python block, every command, the whole tutorial."""

from __future__ import annotations

import os
import re
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import pytest
import serial
from autoalign_simulators.practice import Practice

from autoalign.cli import main

from .conftest import BLOCKS, README

MARKERS = {
    "demo": "carried out by its own test of the demo, and by whoever reads the first page",
    "test": "carried out by .ci/run, with this very line",
    "hardware": "needs a bench; the tutorial carries the same commands out on a simulated one",
    "practice": "carried out by the tutorial's fixture",
    "terminal": "needs a person at a terminal; the conversation below it is carried out",
    "conversation": "carried out line by line",
    "steps": "carried out in order by the tutorial's test",
}
"""Blocks that are not simply pasted into a shell, and why."""

PYTHON = [b.text for b in BLOCKS if b.language == "python"]
SHELL = [b.text for b in BLOCKS if not b.language and not b.marker]
STEPS = [b.text.strip() for b in BLOCKS if b.marker == "steps"]
CODES = {"plan": 0, "measure": 1, "check": 0, "align": 0}
"""Exit code of each step: the practice bench is not in spec before it is aligned."""


def test_every_block_is_python_toml_shell_or_marked() -> None:
    """No block of a kind that nothing carries out."""
    assert {b.language for b in BLOCKS} == {"", "python", "toml"}
    assert {b.marker for b in BLOCKS} - {""} == MARKERS.keys()
    assert len(PYTHON) >= 6
    assert SHELL


@pytest.mark.slow
@pytest.mark.parametrize("block", PYTHON, ids=range(len(PYTHON)))
def test_every_python_block_runs_as_it_stands(
    block: str, tmp_path: Path, monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Pasted into an empty file in an empty folder, with nothing defined beforehand."""
    monkeypatch.chdir(tmp_path)
    exec(compile(block, "README.md", "exec"), {"__name__": "__main__"})
    assert capsys.readouterr().out.strip() or "print" not in block


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="the README's shell blocks are POSIX")
@pytest.mark.parametrize("block", SHELL, ids=range(len(SHELL)))
def test_every_shell_block_runs_as_it_stands(block: str, tmp_path: Path) -> None:
    """In an empty folder, with the environment's programs on the path."""
    path = os.pathsep.join([str(Path(sys.executable).parent), os.environ["PATH"]])
    done = subprocess.run(
        ["/bin/sh", "-ec", block], cwd=tmp_path, env={**os.environ, "PATH": path},
        capture_output=True, text=True, check=False, stdin=subprocess.DEVNULL,
    )  # fmt: skip
    assert done.returncode == 0, done.stderr


def test_the_promised_subjects_are_there() -> None:
    """Scripts, functions as a bench, asyncio, pictures, strategies, faults."""
    text = "".join(PYTHON)
    for word in ("load_bench", "FunctionStage", "asyncio.run", "measure_beam", "strategy="):
        assert word in text
    assert "inject_at" in text


def test_the_glossary_has_at_most_fifteen_words() -> None:
    """Each word once, each with its meaning."""
    table = README.partition("## Words\n")[2].partition("\n## ")[0]
    rows = re.findall(r"^\| (.+?) \| (.+?) \|$", table, re.MULTILINE)[1:]
    assert 10 <= len(rows) <= 15
    assert len({word for word, _ in rows}) == len(rows)
    assert all(meaning for _, meaning in rows)


@pytest.fixture
def practice(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> Iterator[Practice]:
    """The practice bench of the tutorial in an empty folder, with the bench file of step 3."""
    monkeypatch.chdir(tmp_path)
    with Practice(tmp_path) as bench:
        text = "\n".join(b.text for b in BLOCKS if b.language == "toml")
        assert "socket://127.0.0.1:PORT" in text
        text = text.replace("socket://127.0.0.1:PORT", bench.port)
        (tmp_path / "bench.toml").write_text(text, encoding="utf-8")
        yield bench


def test_the_conversation_of_the_tutorial_is_what_the_controller_says(practice: Practice) -> None:
    """Command by command; a move is given its time by asking again until it has ended."""
    (block,) = (b.text for b in BLOCKS if b.marker == "conversation")
    lines = [re.split(r" {2,}", line) for line in block.strip().splitlines()]
    with serial.serial_for_url(practice.port, timeout=20) as port:

        def ask(command: str) -> str:
            port.write(f"{command}\r".encode())
            return port.read_until(b"\r\n").decode().strip()

        for command, reply in lines:
            assert ask(command) == reply
            while command.startswith("put") and ask("busy 1") != "1 no":
                pass


@pytest.mark.slow
@pytest.mark.timeout(600)
@pytest.mark.parametrize(
    "without", ["check", pytest.param("", marks=pytest.mark.campaign, id="whole")]
)
def test_the_tutorial_ends_with_an_aligned_bench(
    without: str, practice: Practice, tmp_path: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """Every step as printed, in order; the wiring check, which takes a minute, in the long run."""
    assert practice.port
    assert [step.split()[1] for step in STEPS] == list(CODES)
    for step in STEPS:
        program, command, *arguments = step.split()
        assert program == "autoalign"
        if command in ("check", "align"):
            arguments.append("--yes")  # a reader presses Enter
        if command != without:
            assert main([command, *arguments]) == CODES[command], capsys.readouterr().err
    assert "In spec." in capsys.readouterr().out
    assert (tmp_path / "first-run" / "report.html").is_file()
