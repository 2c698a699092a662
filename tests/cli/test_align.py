"""``autoalign align``, ``demo`` and ``report``: exit codes, files, and words."""

from __future__ import annotations

import io
import json
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli.exits import Exit, exit_of
from autoalign.config import example
from autoalign.core.errors import (
    BenchFileError,
    HeldError,
    LinkTimeoutError,
    MotionFaultError,
    UnknownNameError,
)
from autoalign.journal import read_journal

Run = Callable[..., Any]
Bench = Callable[..., Path]


@pytest.mark.slow
def test_the_demo_ends_in_spec_over_a_serial_link_and_leaves_its_files(
    tmp_path: Path, run: Run
) -> None:
    """The in-process serial link: in spec, exit code 0, picture, report and record are there."""
    said = run("demo", "--link", "loop", "--output", tmp_path / "run", "--json")
    facts = json.loads(said.out)
    assert (said.code, facts["in_spec"]) == (0, True)
    assert facts["ports"]["source"].startswith("bench://")
    assert all(term["in_spec"] for term in facts["after"].values())
    assert not all(term["in_spec"] for term in facts["before"].values())
    assert {Path(p).name for p in facts["files"].values()} == {
        "run.png", "report.html", "run.db", "result.json",
    }  # fmt: skip
    assert all(Path(p).stat().st_size > 1000 for p in facts["files"].values())


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="this system has no pseudo-terminals")
def test_the_demo_tells_a_person_what_happened(tmp_path: Path, run: Run) -> None:
    """Over real pseudo-terminals: the link, the verdict with units, the files, the cautions."""
    said = run("demo", "--output", tmp_path / "run", "--seed", "1")
    assert said.code == 0
    text = said.text
    assert "Serial link: pseudo-terminals" in text
    assert "Simulated time runs 10 times faster than life." in text
    assert "In spec." in text
    assert "0 ± 0.1 mrad in spec" in text
    assert str(tmp_path / "run" / "report.html") in text
    assert "laser safety officer" in text
    assert "no safety function" in text
    assert said.err == "", "progress is for screens only"


@pytest.mark.slow
def test_out_of_spec_ends_with_1_and_no_run_is_overwritten(
    demo_bench: Bench, tmp_path: Path, run: Run
) -> None:
    """With two looks nothing can be aligned: no success is claimed, twice, in two folders."""
    bench = demo_bench()
    for place in ("run", "run-2"):
        said = run("align", bench, "--budget", "2", "--output", tmp_path / "run")
        assert said.code == 1
        assert "Not in spec" in said.out
        assert str(tmp_path / place / "run.db") in said.out
    again = run("report", tmp_path / "run", "--json")
    assert json.loads(again.out)["in_spec"] is False
    assert again.code == 0


@pytest.mark.slow
def test_a_bench_remembers_itself(demo_bench: Bench, tmp_path: Path, run: Run) -> None:
    """The memory beside the bench file is written by the first run and read by the second."""
    bench = demo_bench()
    calibration = bench.with_suffix(".calibration.json")
    first = run("align", bench, "--output", tmp_path / "run", "--json")
    assert (first.code, json.loads(first.out)["in_spec"]) == (0, True)
    assert json.loads(calibration.read_text())["calibration"]["kind"] == "collimator"
    again = run("align", bench, "--output", tmp_path / "run", "--json")
    assert again.code == 0
    assert f"in {calibration}" in " ".join(again.err.split())
    assert json.loads(again.out)["measurements"] <= json.loads(first.out)["measurements"]


@pytest.mark.slow
def test_what_is_no_memory_never_stops_an_alignment(
    demo_bench: Bench, tmp_path: Path, run: Run
) -> None:
    """A damaged file is set aside with a message, and a new memory is saved in its place."""
    bench, calibration = demo_bench(), tmp_path / "elsewhere.json"
    calibration.write_text("not ours")
    said = run("align", bench, "--calibration", calibration, "--output", tmp_path / "run", "--json")
    assert (said.code, json.loads(said.out)["in_spec"]) == (0, True)
    assert "it is damaged; not used, set aside as elsewhere.json.set-aside" in said.err
    assert (tmp_path / "elsewhere.json.set-aside").read_text() == "not ours"
    assert json.loads(calibration.read_text())["version"] == 1


@pytest.mark.slow
@pytest.mark.usefixtures("ctrl_c_heard")
def test_ctrl_c_in_mid_move_stops_the_axes_and_closes_the_record(
    demo_bench: Bench, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The signal arrives while an axis moves: every stage is stopped, the code is 130."""
    from autoalign_simulators.simulated_stage import SimulatedStage  # noqa: PLC0415 - after the entry points

    stopped: list[str] = []
    status, stop = SimulatedStage.status, SimulatedStage.stop

    def interrupted(self: SimulatedStage, axis: str) -> object:
        seen = status(self, axis)
        if seen.moving and not stopped:
            signal.raise_signal(signal.SIGINT)
        return seen

    def noted(self: SimulatedStage) -> None:
        stopped.append(self.name)
        stop(self)

    monkeypatch.setattr(SimulatedStage, "status", interrupted)
    monkeypatch.setattr(SimulatedStage, "stop", noted)
    said = run("align", demo_bench(), "--output", tmp_path / "run")
    assert said.code == Exit.INTERRUPTED
    assert {"source", "mirror"} <= set(stopped)
    assert "every axis was commanded to stop" in said.err
    record = read_journal(tmp_path / "run" / "run.db")
    assert record.finish is not None
    assert record.finish["status"] == "stopped"
    assert [m.status for m in record.moves] == ["stopped"]


@pytest.mark.slow
@pytest.mark.usefixtures("ctrl_c_heard")
@pytest.mark.skipif(sys.platform == "win32", reason="needs pseudo-terminals and SIGINT")
def test_a_real_ctrl_c_to_the_real_command_ends_it_in_order(
    demo_bench: Bench, tmp_path: Path
) -> None:
    """A process that moves slowly over a pseudo-terminal gets SIGINT: 130, record closed."""
    bench = demo_bench(("seed = 0", "seed = 0\nspeed = 0.2"), link="pty")
    journal = tmp_path / "run" / "run.db"
    command = [sys.executable, "-m", "autoalign", "align", str(bench)]
    process = subprocess.Popen(
        [*command, "--output", str(journal.parent)], stderr=subprocess.PIPE, text=True
    )
    try:
        _until(lambda: _moving(journal), process)
        process.send_signal(signal.SIGINT)
        _, words = process.communicate(timeout=30)
    finally:
        process.kill()
        process.wait()
    assert process.returncode == 130
    assert "every axis was commanded to stop" in words
    record = read_journal(journal)
    assert record.finish is not None
    (move,) = record.moves
    assert move.status == "stopped"


def _until(true: Callable[[], bool], process: subprocess.Popen[str]) -> None:
    """Wait for something that another process does."""
    end = time.monotonic() + 60
    while not true():
        assert process.poll() is None, "the process ended by itself"
        assert time.monotonic() < end, "it did not happen within a minute"
        time.sleep(0.05)


def _moving(journal: Path) -> bool:
    """Whether the record holds a move whose outcome is not there yet."""
    if not journal.exists():
        return False
    try:
        moves = read_journal(journal).moves
    except OSError:
        return False
    return bool(moves) and not moves[-1].status


def test_an_unknown_strategy_is_refused_before_anything_is_opened(
    demo_bench: Bench, tmp_path: Path, run: Run
) -> None:
    """The closest name is suggested, and no folder is left behind."""
    said = run("align", demo_bench(), "--strategy", "nelder-meat", "--output", tmp_path / "run")
    assert said.code == 2
    assert "no strategy named 'nelder-meat'. Did you mean 'nelder-mead'?" in said.err
    assert not (tmp_path / "run").exists()


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--seed", "-1", "--seed -1: give a whole number of 0 or more"),
        ("--budget", "1", "--budget 1: give a whole number from 2 to 1000000"),
        ("--budget", "-7", "--budget -7: give a whole number from 2"),
    ],
)
def test_numbers_that_cannot_be_are_refused_before_anything_is_opened(
    demo_bench: Bench, tmp_path: Path, run: Run, option: str, value: str, words: str
) -> None:
    """Option, value and what is allowed are said, and no folder is left behind."""
    said = run("align", demo_bench(), option, value, "--output", tmp_path / "run")
    assert said.code == 2
    assert words in said.err
    assert not (tmp_path / "run").exists()


def test_mistakes_in_a_bench_file_end_with_2(demo_bench: Bench, run: Run) -> None:
    """All of them are printed, each with its line."""
    bench = demo_bench(('"35 deg"', "35"), ("na = 0.12", "na = 12"))
    said = run("align", bench)
    assert said.code == 2
    assert "2 mistakes; nothing was moved." in said.err
    assert "optic.off_axis_angle: 35 has no unit" in said.err
    assert "source.na: 12 is not allowed; it must be smaller than 1" in said.err


def test_a_serial_port_that_does_not_exist_ends_with_3(demo_bench: Bench, run: Run) -> None:
    """The port and the stage are named, and what to do."""
    bench = demo_bench(('port = "simulated"', 'port = "/dev/no-such-port"'))
    said = run("align", bench)
    assert said.code == 3
    assert "/dev/no-such-port" in said.err
    assert "there is no such port" in said.err


@pytest.mark.parametrize(
    ("arguments", "said"),
    [
        (("frobnicate",), "frobnicate"),
        (("demo", "--seed", "x"), 'unable to convert "x" into int'),
        (("demo", "--link", "string"), "--link"),
        (("align",), "bench"),
        (("report", "absent.db"), "absent.db"),
        (("demo", "--seed", "-1"), "--seed -1: give a whole number of 0 or more"),
        (("gallery", "steering", "--seed", "-1"), "--seed -1: give a whole number of 0 or more"),
    ],
)
def test_usage_mistakes_end_with_2_and_a_message(
    run: Run, arguments: tuple[str, ...], said: str
) -> None:
    """What cannot be understood is named on standard error; nothing goes to standard output."""
    answer = run(*arguments)
    assert answer.code == 2
    assert said in answer.err.lower()
    assert answer.out == ""


@pytest.mark.parametrize(
    ("error", "code"),
    [
        (UnknownNameError("x"), Exit.USAGE),
        (BenchFileError("x", ["y"]), Exit.USAGE),
        (LinkTimeoutError("x"), Exit.FAULT),
        (MotionFaultError("x"), Exit.FAULT),
        (HeldError("x"), Exit.HELD),
    ],
)
def test_every_kind_of_error_has_its_exit_code(error: Any, code: Exit) -> None:
    """2 usage or bench file, 3 hardware fault, 4 held or safe."""
    assert exit_of(error) is code


BY_HAND = """\
[bench]
name = "by hand"
[planes]
far = "2 m"
[stages.mount]
driver = "hand"
axes."knob" = { travel = ["-1 mm", "1 mm"] }
[detectors.far]
driver = "image-folder"
plane = "far"
folder = "."
pitch = "10 um"
[spec]
spot = { term = "quantity", quantity = "far.x", tolerance = "1 mm" }
"""


@pytest.mark.parametrize("command", ["align", "check", "watch"])
def test_a_real_bench_is_not_opened_by_a_script_that_took_no_precautions(
    command: str, tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """No terminal and no --yes: exit code 2 before anything is opened, and what to do."""
    bench = tmp_path / "bench.toml"
    bench.write_text(BY_HAND)
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    said = run(command, bench, "--output", tmp_path / "run")
    assert said.code == 2
    assert "standard input is no terminal" in " ".join(said.err.split())
    assert "--yes" in said.err
    assert not (tmp_path / "run").exists()


def test_a_hand_turned_axis_without_a_person_is_a_fault(
    tmp_path: Path, run: Run, monkeypatch: pytest.MonkeyPatch
) -> None:
    """--yes answers no question to turn a screw; nothing was begun."""
    bench = tmp_path / "bench.toml"
    bench.write_text(BY_HAND)
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    said = run("align", bench, "--output", tmp_path / "run", "--yes")
    assert said.code == 3
    assert "nobody is there to answer" in said.err
    assert not (tmp_path / "run").exists()


def test_help_of_align_states_the_cautions(run: Run) -> None:
    """Whoever reads how to align reads what can hurt."""
    said = run("align", "--help")
    text = " ".join(said.out.replace("│", " ").split())
    assert "motors start without warning" in text
    assert "laser safety officer" in text
    assert "no safety function" in text


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["focuser", "relay", "steering"])
def test_the_bench_files_of_the_other_families_align(kind: str, tmp_path: Path, run: Run) -> None:
    """Files that come with the package, with every controller on its own in-process link."""
    text = example(kind).read_text(encoding="utf-8").replace('link = "pty"', 'link = "loop"')
    bench = tmp_path / "bench.toml"
    bench.write_text(text, encoding="utf-8")
    said = run("align", bench, "--output", tmp_path / "run", "--json")
    assert said.code == 0
    assert json.loads(said.out)["in_spec"]
