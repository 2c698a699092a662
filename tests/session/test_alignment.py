"""The one call: defaults, result, record, and going on after an interruption."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from dataclasses import replace

import pytest

from autoalign.alignment import align
from autoalign.errors import JournalError, UnknownNameError, UsageError
from autoalign.journal import read_journal
from autoalign.runner import run
from autoalign.search.response_matrix import ResponseMatrix
from autoalign.session import Session, Status


def test_the_result_says_what_happened(make_bench):
    """In spec, counts, both ends, where the axes stand, and how sure that is."""
    bench = make_bench()
    result = align(bench, strategy="response-matrix")
    assert result.in_spec
    assert result.status is Status.IN_SPEC
    assert not result.before.in_spec
    assert result.after.in_spec
    assert result.positions == bench.positions()
    assert result.uncertainty == pytest.approx(dict.fromkeys(result.uncertainty, 0.02))
    assert set(result.uncertainty) == {f"meter.q{i}" for i in range(4)}
    assert result.seconds == pytest.approx(bench.clock.now(), abs=1.0)


def test_a_bench_without_a_layout_needs_no_model(make_bench):
    """The default there: a response matrix, and a look around where that does not help."""
    assert align(make_bench()).strategy == "without-model"


def test_the_same_seed_gives_the_same_run(make_bench):
    """Chance comes from the seed alone."""
    first, second = (align(make_bench(visible=lambda u: max(abs(u)) < 4.5), seed=3) for _ in "ab")
    assert first.positions == second.positions
    assert first.probes == second.probes


def test_a_result_is_saved_as_json(make_bench, tmp_path):
    """Plain data with the numbers of the result."""
    result = align(make_bench(), journal=tmp_path / "runs" / "run.db")
    data = json.loads(result.save(tmp_path / "result.json").read_text())
    assert data["in_spec"] is True
    assert data["probes"] == result.probes
    assert data["positions"] == result.positions
    assert data["after"]["verdict"]["in_spec"] is True
    assert data["journal"].endswith("run.db")


def test_a_report_without_a_record_is_refused(make_bench, tmp_path):
    """It says what to do."""
    with pytest.raises(JournalError, match=r"journal='run\.db'"):
        align(make_bench()).report(tmp_path / "report.html")


def test_unknown_strategies_are_named_with_the_nearest_known_one(make_bench):
    """A slip of the keyboard gets a hint."""
    with pytest.raises(UnknownNameError, match="Did you mean 'response-matrix'"):
        align(make_bench(), strategy="response-matrx")


def cut_short(bench, path, after, **settings):
    """Align until ``after`` looks were recorded, then interrupt the run."""

    def interrupt(event):
        if event.observation is not None and event.probes == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        align(bench, journal=path, progress=interrupt, **settings)


@pytest.mark.parametrize("missing", [2, 0])
def test_an_interrupted_run_goes_on_from_its_record(make_bench, tmp_path, missing):
    """Resumed with the same bench it ends as the uninterrupted one, and no look is repeated."""
    whole = align(make_bench(noise=0.0), seed=5)
    after = whole.probes - missing
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, after, seed=5)
    looks = bench.detectors["meter"].looks
    result = align(bench, journal=path, resume=True)
    verifying = int(after == whole.probes)
    assert result.in_spec
    assert result.seed == 5
    assert result.probes == whole.probes + verifying
    assert bench.detectors["meter"].looks - looks == result.probes - after
    assert result.positions == pytest.approx(whole.positions)
    assert len(read_journal(path).looks) == result.probes


def test_a_move_cut_off_is_recorded_as_unknown(make_bench, tmp_path):
    """A process that dies in a move leaves an intent; the resumed run says how that ended."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, 3)
    with closing(sqlite3.connect(path)) as database, database:
        last = database.execute("SELECT max(seq) FROM record WHERE kind='outcome'").fetchone()
        database.execute("DELETE FROM record WHERE seq=?", last)
    assert len(read_journal(path).open_moves) == 1
    align(bench, journal=path, resume=True)
    past = read_journal(path)
    assert not past.open_moves
    assert [m.status for m in past.moves].count("unknown") == 1


@pytest.mark.parametrize(("off", "used"), [(0.0, True), (0.3, False)])
def test_a_record_of_another_place_is_not_taken_for_this_one(make_bench, tmp_path, off, used):
    """Resumed where the strategy asks for other positions, it looks itself."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, 4)
    looks = bench.detectors["meter"].looks
    past = read_journal(path).observations
    moved = [replace(o, positions=o.positions + off * (k > 0)) for k, o in enumerate(past)]
    session = Session.for_bench(bench, ResponseMatrix(), replay=moved)
    run(bench, session)
    taken = session.probes - (bench.detectors["meter"].looks - looks)
    assert taken == (4 if used else 1)


@pytest.mark.parametrize("after", [2, 3, 4, 5, 6])
def test_a_record_that_spent_the_budget_is_not_the_last_word(make_bench, tmp_path, after):
    """Nothing is left to search for: resumed, it goes to the best place and looks there itself."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, after, strategy="axis-by-axis")
    looks = bench.detectors["meter"].looks
    result = align(bench, strategy="axis-by-axis", budget=after + 1, journal=path, resume=True)
    assert bench.detectors["meter"].looks - looks >= 1
    assert result.in_spec or result.status is Status.BUDGET
    assert result.after.merit <= 1.01 * result.before.merit


def test_a_resume_that_cannot_be_one_is_refused(make_bench, tmp_path):
    """Another strategy's record, or none."""
    path = tmp_path / "run.db"
    align(make_bench(), journal=path, strategy="response-matrix")
    with pytest.raises(UsageError, match="needs the journal"):
        align(make_bench(), resume=True)
    with pytest.raises(UsageError, match="it is a run of 'response-matrix'"):
        align(make_bench(), journal=path, resume=True, strategy="axis-by-axis")
