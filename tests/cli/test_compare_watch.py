"""``autoalign compare`` and ``autoalign watch`` from the command line."""

from __future__ import annotations

import json
import re
import signal
import subprocess
import sys
import time
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autoalign.benchmark.campaign_file import read_rows
from autoalign.benchmark.outcome import Case
from autoalign.config import example
from autoalign.core.errors import UsageError

Run = Callable[..., Any]


@pytest.mark.slow
def test_compare_prints_a_table_and_goes_on_where_it_stopped(tmp_path: Path, run: Run) -> None:
    """Every run is in the CSV file once, also after the command was given twice."""
    command = (
        "compare", "--strategies", "response-matrix,random", "--seeds", "1", "--budget", "30",
        "--output", tmp_path, "--json",
    )  # fmt: skip
    first, second = run(*command), run(*command)
    assert (first.code, second.code) == (0, 0)
    assert first.out == second.out
    rows = {r["strategy"]: r for r in json.loads(first.out)["summaries"]}
    assert rows["response-matrix"]["reached"] == 1
    assert rows["random"]["reached"] == 0
    assert rows["random"]["median"] is None, "a run that failed counts as infinitely many looks"
    assert len(read_rows(tmp_path / "campaign.csv")) == 2
    assert (tmp_path / "campaign.png").stat().st_size > 5000
    assert (tmp_path / "campaign.svg").read_bytes().startswith(b"<?xml")
    assert "take response-matrix" in (tmp_path / "campaign.html").read_text(encoding="utf-8")


@pytest.mark.slow
def test_compare_against_an_earlier_campaign_ends_with_one_if_worse(
    tmp_path: Path, run: Run
) -> None:
    """Worse beyond chance is exit code 1 with the row that says so; the same again is 0."""
    command = (
        "compare", "--strategies", "response-matrix", "--benches", "steering", "--seeds", "7",
        "--json",
    )  # fmt: skip
    earlier = tmp_path / "a" / "campaign.csv"
    assert run(*command, "--output", earlier.parent).code == 0
    same = run(*command, "--output", tmp_path / "b", "--against", earlier)
    assert same.code == 0
    assert [r["verdict"] for r in json.loads(same.out)["against"]] == ["no difference"]
    slow = run(*command, "--output", tmp_path / "c", "--budget", "2", "--against", earlier)
    assert slow.code == 1
    (row,) = json.loads(slow.out)["against"]
    assert (row["verdict"], row["worse"], row["better"]) == ("worse", 7, 0)
    assert row["p"] == pytest.approx(2 / 2**7)
    assert "worse" in (tmp_path / "c" / "campaign.html").read_text(encoding="utf-8")


def test_compare_says_that_no_scheduler_answers(tmp_path: Path, run: Run) -> None:
    """Within seconds, and nothing is run."""
    pytest.importorskip("distributed", reason="dask (extra cluster) is not installed")
    said = run("compare", "--cluster", "tcp://127.0.0.1:9", "--output", tmp_path / "c")
    assert said.code == 2
    assert "no Dask scheduler answers" in " ".join(said.err.split())
    assert not (tmp_path / "c" / "campaign.csv").exists()


@pytest.mark.slow
def test_benches_may_be_repeated_listed_problems_or_a_file(tmp_path: Path, run: Run) -> None:
    """All of them are run, in the order in which they were named."""
    text = example("demo").read_text(encoding="utf-8")
    own = tmp_path / "mine.toml"
    own.write_text(text, encoding="utf-8")
    said = run(
        "compare", "--strategies", "random", "--seeds", "1", "--budget", "2", "--json",
        "--benches", "steering,everyday-1/steering-dim", "--benches", own,
        "--problems", "textbook", "--output", tmp_path / "o",
    )  # fmt: skip
    assert said.code == 0, said.err
    found = [o.bench for o in read_rows(tmp_path / "o" / "campaign.csv")]
    assert found[:3] == ["steering", "everyday-1/steering-dim", str(own)]
    assert "textbook-1/rosenbrock-2" in found


@pytest.mark.slow
def test_compare_after_drift_goes_on_in_the_same_file(tmp_path: Path, run: Run) -> None:
    """First-time rows that are there already are kept; drifted ones are added beside them."""
    command = ("compare", "--strategies", "model", "--seeds", "1", "--output", tmp_path, "--json")
    first = json.loads(run(*command).out)["summaries"]
    both = json.loads(run(*command, "--drift", "0,0.1").out)["summaries"]
    assert both[0] == first[0]
    assert [r["bench"] for r in both] == ["collimator", "collimator, drift 0.1"]
    assert both[1]["median"] <= 2
    assert [o.drift for o in read_rows(tmp_path / "campaign.csv")] == [0.0, 0.1]


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--strategies", "modle", "'modle'. Did you mean 'model'?"),
        ("--benches", "colimator", "Did you mean 'collimator'?"),
        ("--benches", "everyday-1/relay-dimm", "Did you mean 'relay-dim'?"),
        ("--benches", "missing.toml", "there is no such bench file"),
        ("--problems", "everyday-7", "no problem set named 'everyday-7'"),
        ("--benches", "cluttered-1/relay-ghost", "give --fidelity frames"),
        ("--against", "missing.csv", "there is no such file"),
        ("--strategies", ",", "no strategies given"),
        ("--drift", "0,much", "numbers from 0 (first alignment) to 1"),
        ("--drift", "1.5", "numbers from 0 (first alignment) to 1"),
        ("--drift", "-0.1", "numbers from 0 (first alignment) to 1"),
        ("--first-seed", "-3", "--first-seed -3: give a whole number of 0 or more"),
        ("--seeds", "0", "--seeds 0: give a whole number from 1 to 1000000"),
        ("--seeds", "1000000000000", "give a whole number from 1 to 1000000"),
        ("--workers", "-1", "--workers -1: give a whole number from 1 to"),
        ("--workers", "100000", "--workers 100000: give a whole number from 1 to"),
        ("--budget", "1", "--budget 1: give a whole number from 2 to 1000000"),
        ("--budget", "-5", "--budget -5: give a whole number from 2"),
    ],
)
def test_names_and_numbers_that_cannot_be_are_refused_before_anything_runs(
    tmp_path: Path, run: Run, option: str, value: str, words: str
) -> None:
    """A misspelt name or a slip of a number costs no campaign, and leaves no folder."""
    said = run("compare", option, value, "--output", tmp_path / "c")
    assert said.code == 2
    assert words in " ".join(said.err.split())
    assert not (tmp_path / "c").exists()


@pytest.mark.parametrize(
    "benches", [("--benches", "steering,relay"), ("--benches", "steering", "--benches", "relay")]
)
def test_a_list_and_a_repeated_option_mean_the_same(
    benches: tuple[str, ...], run: Run, tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both benches are asked for, in their order."""
    asked: list[str] = []

    def no_runs(wanted: list[Case], *_: object, **__: object) -> None:
        asked.extend(case.bench for case in wanted)
        raise UsageError("far enough")

    monkeypatch.setattr("autoalign.benchmark.campaign.run_campaign", no_runs)
    said = run("compare", *benches, "--strategies", "model", "--seeds", "1", "--output", tmp_path)
    assert "far enough" in said.err
    assert asked == ["steering", "relay"]


@pytest.mark.slow
def test_compare_never_mixes_budgets_and_survives_a_damaged_file(tmp_path: Path, run: Run) -> None:
    """Another budget is refused with the folder's own, a damaged line with its number; the file
    stays byte for byte as it was, and the old command still works."""
    command = (
        "compare", "--strategies", "random", "--seeds", "1", "--output", tmp_path, "--json",
    )  # fmt: skip
    first = run(*command, "--budget", "3")
    file = tmp_path / "campaign.csv"
    kept = file.read_bytes()
    other = run(*command, "--budget", "4")
    assert other.code == 2
    assert list(json.loads(other.out)) == ["error"]
    assert f"{file}: contains outcomes of a budget of 3 measurements" in other.err
    assert "asked for is a budget of 4 measurements" in other.err
    assert "name another folder" in other.err
    assert file.read_bytes() == kept
    assert run(*command, "--budget", "3").out == first.out
    assert json.loads(first.out)["summaries"][0]["budget"] == 3
    file.write_bytes(kept.replace(b",0,False,", b",zero,False,"))
    damaged = run(*command, "--budget", "3")
    assert damaged.code == 2
    assert "line 2: seed is 'zero'; a whole number is needed" in damaged.err


@pytest.mark.parametrize(
    ("option", "value", "words"),
    [
        ("--every", "-5 s", "--every '-5 s': a time above 0 and up to 1000 h"),
        ("--every", "1e30 s", "a time above 0 and up to 1000 h"),
        ("--every", "1e400 s", "is beyond every number"),
        ("--measurements", "0", "--measurements 0: give a whole number of 1 or more"),
        ("--measurements", "-2", "--measurements -2: give a whole number of 1 or more"),
    ],
)
def test_a_watch_that_cannot_be_is_refused_before_anything_is_opened(
    tmp_path: Path, run: Run, bench_file: Path, option: str, value: str, words: str
) -> None:
    """No folder is left behind, and no watch ends "in order" without a look."""
    said = run("watch", bench_file, "--output", tmp_path / "w", option, value)
    assert said.code == 2
    assert words in " ".join(said.err.split())
    assert not (tmp_path / "w").exists()


@pytest.fixture
def bench_file(demo_bench: Callable[..., Path]) -> Path:
    """The demo's bench file, without a link between, in simulated time that hurries."""
    return demo_bench()


@pytest.mark.slow
def test_watch_looks_realigns_and_says_what_it_did(
    tmp_path: Path, run: Run, bench_file: Path
) -> None:
    """Two measurements find the bench out of spec, a realignment follows, then it stays in spec."""
    said = run(
        "watch", bench_file, "--output", tmp_path / "w", "--every", "5 s", "--measurements", "6"
    )
    assert said.code == 0
    for words in ("recheck", "realign", "verified", "Realignments that ended in spec 1"):
        assert words in said.text
    status = json.loads((tmp_path / "w" / "status.json").read_text())
    assert status["measurements_in_spec"] >= 2
    assert status["in_spec"] is None, "nobody watches any more, so nobody knows"


def test_watch_wants_a_time_with_its_unit(tmp_path: Path, run: Run, bench_file: Path) -> None:
    """A bare number is refused with an example."""
    said = run("watch", bench_file, "--output", tmp_path / "w", "--every", "10")
    assert said.code == 2
    assert "10" in " ".join(said.err.split())
    assert "unit" in " ".join(said.err.split())


@pytest.mark.slow
@pytest.mark.skipif(sys.platform == "win32", reason="signals of another system")
@pytest.mark.parametrize("name", ["SIGTERM", "SIGHUP"])
def test_a_polite_kill_ends_the_watch_in_an_orderly_way(
    tmp_path: Path, bench_file: Path, name: str
) -> None:
    """In the middle: exit code 0, the status says ended, the record is closed.

    A lost terminal once ended it at once, with axes moving and intents left open.
    """
    folder = tmp_path / "w"
    code = "import sys; from autoalign.cli import main; sys.exit(main(sys.argv[1:]))"
    process = subprocess.Popen(
        [sys.executable, "-c", code, "watch", str(bench_file), "--output", str(folder),
         "--every", "1 h"],
        stdout=subprocess.PIPE, stderr=subprocess.PIPE, text=True,
    )  # fmt: skip
    deadline = time.monotonic() + 60
    while not (folder / "status.json").exists() and time.monotonic() < deadline:
        time.sleep(0.05)
    process.send_signal(getattr(signal, name))
    out, error = process.communicate(timeout=60)
    assert process.returncode == 0, error
    assert "Measurements" in out
    assert re.search(r"State +ended", out)
    assert json.loads((folder / "status.json").read_text())["state"] == "ended"
    assert not (folder / "watch.db-wal").exists()
