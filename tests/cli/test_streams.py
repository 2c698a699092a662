"""Who reads the output, if anybody, changes nothing of the run or of its exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli.output import print_text, warn

Run = Callable[..., Any]

pytestmark = pytest.mark.slow


@pytest.mark.skipif(os.name == "nt", reason="pipes of POSIX")
def test_the_exit_code_outlives_the_reader(tmp_path: Path) -> None:
    """A run that does not get into spec ends with 1, also where its output goes nowhere."""
    source, sink = os.pipe()
    os.close(source)
    command = (
        *(sys.executable, "-m", "autoalign", "demo", "--link", "direct"),
        *("--strategy", "random", "--output", str(tmp_path / "run"), "--json"),
    )
    done = subprocess.run(command, stdout=sink, stderr=subprocess.PIPE, check=False)
    os.close(sink)
    assert done.returncode == 1, done.stderr.decode()
    assert b"Traceback" not in done.stderr
    assert (tmp_path / "run" / "run.db").exists()


class _Gone:
    def write(self, text: str) -> int:
        raise BrokenPipeError


def test_printing_into_the_void_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal that was closed does not break off a watch."""
    for name, say in (("stdout", print_text), ("stderr", warn)):
        monkeypatch.setattr(sys, name, _Gone())
        say("one")
        say("two")
        stream = getattr(sys, name)
        assert not isinstance(stream, _Gone)
        stream.close()


@pytest.mark.parametrize(
    "command",
    [
        ("plan", "--focal-length", "150 mm", "--angle", "35 deg", "--drawing"),
        ("benchmark", "--quick", "--only", "journal", "--folder"),
        ("demo", "--link", "direct", "--output"),
    ],
)
def test_a_place_that_cannot_be_written_is_named(
    command: tuple[str, ...], run: Run, tmp_path: Path
) -> None:
    """A file where a folder should be: no traceback, its name and what to do, exit code 2."""
    (tmp_path / "taken").touch()
    said = run(*command, tmp_path / "taken" / "x.png")
    assert said.code == 2
    assert "taken" in said.err
    assert "Name another" in said.err


def test_numbers_that_cannot_be(run: Run) -> None:
    """No seeds, no workers, a screen before the near one, light faster than it spreads."""
    section = ("plan", "--focal-length", "150 mm", "--angle", "35 deg")
    for command, words in (
        (("compare", "--seeds", "0"), "--seeds 0: give a whole number from 1"),
        (("compare", "--workers", "0"), "--workers 0: give a whole number from 1"),
        ((*section, "--far", "0.1 m"), "far at 100 mm is not behind near at 400 mm"),
        ((*section, "--na", "1.3"), "numerical aperture 1.3"),
        ((*section, "--wavelength", "0 nm"), "wavelength"),
    ):
        said = run(*command)
        assert said.code == 2
        assert words in said.err


def test_a_mistyped_option_points_to_the_help_of_its_command(run: Run) -> None:
    """Where the options are listed, not where the commands are."""
    assert "autoalign demo --help" in run("demo", "--nonsense").err


def test_a_second_file_is_named(run: Run) -> None:
    """A command that takes one bench file says which word was too many."""
    said = run("plan", "one.toml", "two.toml")
    assert said.code == 2
    assert "'two.toml': unexpected arguments" in said.err


@pytest.mark.parametrize("alphabet", ["ascii", "cp1252"])
def test_every_alphabet_can_be_printed(alphabet: str, tmp_path: Path) -> None:
    """Signs that a terminal lacks are written out; a run in spec ends as one."""
    command = (
        *(sys.executable, "-m", "autoalign", "demo", "--link", "direct"),
        *("--output", str(tmp_path / "run")),
    )
    environment = {**os.environ, "PYTHONIOENCODING": alphabet}
    done = subprocess.run(command, env=environment, capture_output=True, check=False)
    assert done.returncode == 0, done.stderr
    text = done.stdout.decode(alphabet)
    assert ("±" in text) is (alphabet != "ascii")
    assert "?" not in text


def test_a_disk_that_is_full_hides_no_verdict(
    run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Picture, report and result cannot be written: that is said, the verdict and its code stay."""

    def full(*_: object) -> Path:
        raise OSError(28, "No space left on device")

    monkeypatch.setattr("autoalign.messages.serialise.atomic_write", full)
    monkeypatch.setattr("autoalign.report.style.atomic_write", full)
    monkeypatch.setattr("autoalign.report.run_report.atomic_write", full)
    said = run("demo", "--link", "direct", "--output", tmp_path / "run")
    assert said.code == 0
    assert "In spec." in said.text
    for what in ("picture", "report", "result"):
        assert f"The {what} could not be written (No space left on device)" in said.err
    assert "Journal" in said.out
    assert "Picture" not in said.out
