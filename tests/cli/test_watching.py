"""Commands around the watch: soak, status, incidents, faults, the report of a watch."""

from __future__ import annotations

import errno
import json
import os
import signal
import sys
import threading
from collections.abc import Callable
from datetime import UTC, datetime, timedelta
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli.output import write
from autoalign.cli.running import politely
from autoalign.cli.watch_command import _setting
from autoalign.watch.incident import keep_incident, set_aside
from autoalign.watch.status import WatchStatus, this_process, write_status

Run = Callable[..., Any]


@pytest.mark.slow
def test_soak_prints_the_facts(run: Run) -> None:
    """As JSON, with the keys that outside checks read."""
    said = run("soak", "--days", "0.05", "--noise", "0.1", "--drift", "0", "--json")
    facts = json.loads(said.out)
    wanted = {"realignments", "needless", "false_pauses", "violations", "share_in_spec", "noise"}
    assert said.code == 0
    assert wanted <= facts.keys()


def stand_in(folder: Path, **known: Any) -> None:
    """Write the status of a watch that is at work."""
    now = datetime.now(UTC)
    facts: dict[str, Any] = {
        "bench": "demo", "state": "watching", "reason": "in spec, merit 0.30",
        "updated": now.isoformat(), "in_spec": True, "merit": 0.3, "measurements": 9,
        "measurements_in_spec": 8, "realignments": 1, "realignments_in_spec": 1, "pauses": 0,
        "next_measurement_in_s": 600.0, "beat": now.isoformat(),
        "believe_until": (now + timedelta(minutes=1)).isoformat(), **this_process(),
    }  # fmt: skip
    folder.mkdir(exist_ok=True)
    write_status(folder / "status.json", WatchStatus(**{**facts, **known}))


def test_status_tells_that_a_watch_is_at_work(tmp_path: Path, run: Run) -> None:
    """To people and as JSON; exit code 0."""
    stand_in(tmp_path)
    said = run("status", tmp_path)
    assert said.code == 0
    for words in ("State watching", "In spec yes, merit 0.30", "Measurements 9, 8 in spec"):
        assert words in said.text
    facts = json.loads(run("status", tmp_path, "--json").out)
    assert (facts["alive"], facts["in_spec"], facts["latest"]) == (True, True, [])


@pytest.mark.parametrize(
    "stale",
    [
        {"believe_until": "2020-01-01T00:00:00+00:00"},
        {"process": 2**22 + 1},
    ],
)
def test_a_watch_that_was_killed_is_lost_whatever_its_file_says(
    tmp_path: Path, run: Run, stale: dict[str, Any]
) -> None:
    """Its last "in spec" was once believed for ever."""
    stand_in(tmp_path, **stale)
    said = run("status", tmp_path, "--json")
    facts = json.loads(said.out)
    assert said.code == 4
    assert (facts["state"], facts["alive"], facts["in_spec"]) == ("lost", False, None)
    assert "no sign of life since" in facts["reason"]


def test_status_of_a_folder_without_a_watch_is_a_usage_error(tmp_path: Path, run: Run) -> None:
    """With the folder's name."""
    said = run("status", tmp_path)
    assert said.code == 2
    assert "no watch has used this folder" in said.err


def test_metrics_are_lines_that_a_collector_reads(tmp_path: Path, run: Run) -> None:
    """Each with its help, its type, and the bench as a label; the state as one of five."""
    stand_in(tmp_path, bench='the "old" bench')
    lines = run("status", tmp_path, "--metrics").out.splitlines()
    assert 'autoalign_watch_in_spec{bench="the \\"old\\" bench"} 1' in lines
    assert 'autoalign_watch_measurements_total{bench="the \\"old\\" bench"} 9' in lines
    assert 'autoalign_watch_state{bench="the \\"old\\" bench",state="watching"} 1' in lines
    values = [line for line in lines if not line.startswith("#")]
    assert len([line for line in lines if line.startswith("# TYPE")]) == len(values) - 4


def test_incidents_are_listed_with_how_to_clear_the_open_one(tmp_path: Path, run: Run) -> None:
    """Cleared ones stay in the list."""
    first = keep_incident(tmp_path, "an axis stalled", datetime(2030, 1, 1, 2, tzinfo=UTC))
    set_aside(tmp_path, first)
    second = keep_incident(tmp_path, "no answer", datetime(2030, 1, 2, 2, tzinfo=UTC))
    said = run("incidents", tmp_path)
    assert said.code == 4
    assert f"Incident {first.number}, cleared" in said.text
    assert f"start the watch again with --clear {second.number}" in said.text
    facts = json.loads(run("incidents", tmp_path, "--json").out)
    assert [f["cleared"] for f in facts] == [True, False]
    set_aside(tmp_path, second)
    assert run("incidents", tmp_path).code == 0


def test_faults_are_listed_by_a_word(run: Run) -> None:
    """For people and as JSON; what is not covered is said."""
    said = run("faults", "--filter", "unplugged")
    assert "line: unplugged at rest" in said.text
    facts = json.loads(run("faults", "--filter", "not covered", "--json").out)
    assert facts
    assert not any(f["covered"] for f in facts)


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_run_hears_a_polite_kill_and_a_lost_terminal(name: str) -> None:
    """Both become what Ctrl-C is: every axis is stopped on the way out."""
    before = signal.getsignal(getattr(signal, name))
    with pytest.raises(KeyboardInterrupt), politely():
        signal.raise_signal(getattr(signal, name))
    assert signal.getsignal(getattr(signal, name)) == before


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_signal_that_is_ignored_stays_ignored() -> None:
    """As of a program that was started to outlive its terminal."""
    before = signal.signal(signal.SIGHUP, signal.SIG_IGN)
    try:
        with politely():
            signal.raise_signal(signal.SIGHUP)
            assert signal.getsignal(signal.SIGHUP) is signal.SIG_IGN
    finally:
        signal.signal(signal.SIGHUP, before)


@pytest.mark.skipif(os.name != "posix", reason="signals of POSIX")
def test_a_second_signal_does_not_wait_for_the_step(capsys: pytest.CaptureFixture[str]) -> None:
    """The first asks the watch to end, the second interrupts it."""
    flag = threading.Event()
    with _setting(flag):
        signal.raise_signal(signal.SIGHUP)
        assert flag.is_set()
        with pytest.raises(KeyboardInterrupt):
            signal.raise_signal(signal.SIGTERM)
    assert "to stop immediately" in capsys.readouterr().err


def test_a_terminal_that_is_gone_ends_nothing(monkeypatch: pytest.MonkeyPatch) -> None:
    """Writing to it is an error of input and output; the bench is still being watched."""

    class Gone:
        encoding = "utf-8"

        def write(self, _: str) -> None:
            raise OSError(errno.EIO, "Input/output error")

    monkeypatch.setattr(sys, "stdout", Gone())
    write("stdout", "a decision")
    write("stdout", "another")
    sys.stdout.close()


def test_report_of_a_watch_s_folder_is_its_page(tmp_path: Path, run: Run) -> None:
    """It was once refused for lack of a run.db."""
    stand_in(tmp_path)
    said = run("report", tmp_path, "--json")
    assert said.code == 0
    facts = json.loads(said.out)
    assert facts["state"] == "watching"
    assert "Watch of demo" in Path(facts["report"]).read_text(encoding="utf-8")
