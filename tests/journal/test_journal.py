"""The durable record: round trips, order, damage, and reading while it is written."""

from __future__ import annotations

import json
import sqlite3
from contextlib import closing
from io import BytesIO

import numpy as np
import pytest
from autoalign_simulators import benches
from PIL import Image

from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import JournalError
from autoalign.core.findings import Amount, Finding, Severity
from autoalign.core.frames import Frame
from autoalign.journal import Journal, describe_bench, export_jsonl, read_journal
from autoalign.journal.codec import decode_observation, encode_observation, plain
from autoalign.journal.thumbnails import make_thumbnail
from autoalign.run.align import align
from autoalign.run.compose import run
from autoalign.session import Finish, Measure, Move, Session, Status
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Measurement
from autoalign.strategies.response_matrix import ResponseMatrix

MOVE = Move(1, {"a.x": 1.0}, {"a.x": (0.9, 1.0)}, "measurement")

FOUND = Finding(
    "axis-slips", "source.x", {"missed": Amount(0.1 + 0.2, "mm", 1e-3)}, Severity.VETO, {"a": "b"}
)


def profile(rng):
    """Return a profile with random numbers in every place."""
    root = rng.standard_normal((9, 9))
    flags = {"dark": Flag(FlagKind.DARK, "no beam", Use.NOTHING)}
    return BeamProfile(
        rng.standard_normal(9), root @ root.T, 1.0, 0.1, 2.0, 0.5, 99.0, flags, "near",
        (0.1, 0.2, 0.3, 0.4, 0.5), 12.5, ((0.0, 1.0), (-1.0, 0.0)),
    )  # fmt: skip


def measurement(rng, value=0.5):
    """Return an observation with quality and verdict."""
    from autoalign.beam.combine import combine  # noqa: PLC0415

    seen = profile(rng)
    parameters = combine({}, {}, readings={"q": (value, 0.1)})
    verdict = Spec((QuantityTerm("q", 1.0, unit="mm"),)).evaluate(parameters)
    return Measurement(rng.standard_normal(3), {"near": seen}, parameters, verdict, (FOUND,))


def test_an_observation_survives_the_record_without_loss():
    """Every number comes back bit for bit, through JSON text."""
    before = measurement(np.random.default_rng(1))
    after = decode_observation(json.loads(json.dumps(encode_observation(before))))
    a, b = before.profiles["near"], after.profiles["near"]
    np.testing.assert_array_equal(before.positions, after.positions)
    np.testing.assert_array_equal(a.moments, b.moments)
    np.testing.assert_array_equal(a.covariance, b.covariance)
    assert (a.flags, a.view, a.window, a.started) == (b.flags, b.view, b.window, b.started)
    np.testing.assert_array_equal(before.parameters.covariance, after.parameters.covariance)
    np.testing.assert_array_equal(before.verdict.residuals, after.verdict.residuals)
    assert after.verdict["q"].unit == "mm"
    assert (after.merit, after.in_spec, after.failure) == (before.merit, True, str(FOUND))


def test_infinities_do_not_break_the_record():
    """JSON has no infinity; it is written as a word that float() reads."""
    assert [float(v) for v in plain([np.inf, -np.inf, np.float64(2)])] == [np.inf, -np.inf, 2.0]
    assert np.isnan(float(plain(np.nan)))


def test_records_come_back_in_order_and_complete(tmp_path):
    """Intent, outcome, look, note and finish, as they were given."""
    clock = VirtualClock()
    path = tmp_path / "run.db"
    seen = measurement(np.random.default_rng(2))
    with Journal(path, clock, {"seed": 7}) as journal:
        number = journal.intent(MOVE, {"a.x": 0.0, "b.y": 3.0})
        clock.sleep(2.0)
        journal.outcome(number, "done", {"a.x": 1.0, "b.y": 3.0})
        journal.look(Measure(1, 0.0, 4, "first"), {"a.x": 1.0, "b.y": 3.0}, seen)
        journal.note("warning", "the beam flickers", plane="far")
        journal.finish(Finish(Status.IN_SPEC, True, "verified."))
    past = read_journal(path)
    move, look = past.moves[0], past.measurements[0]
    assert past.run["seed"] == 7
    assert (move.targets, move.legs, move.start) == (
        {"a.x": 1.0},
        {"a.x": (0.9, 1.0)},
        {"a.x": 0.0},
    )
    assert (move.status, move.positions, move.ended) == ("done", {"a.x": 1.0, "b.y": 3.0}, 2.0)
    assert (look.number, look.frames, look.reason) == (1, 4, "first")
    np.testing.assert_array_equal(look.measurement.positions, seen.positions)
    assert past.notes[0]["text"] == "the beam flickers"
    assert past.finish["in_spec"] is True


def test_intents_without_an_outcome_are_reported_at_both_ends(tmp_path):
    """After a crash, reader and resumed writer both say which moves are open."""
    path = tmp_path / "run.db"
    with Journal(path, VirtualClock(), {}) as journal:
        done = journal.intent(MOVE, {"a.x": 0.0})
        journal.outcome(done, "done", {})
        open_one = journal.intent(MOVE, {"a.x": 1.0})
    assert [m.intent for m in read_journal(path).open_moves] == [open_one]
    with Journal(path, VirtualClock(), resume=True) as journal:
        assert journal.open_intents == (open_one,)
        journal.outcome(open_one, "unknown", {})
    assert read_journal(path).open_moves == ()


def test_it_is_written_ahead_and_synchronous(tmp_path):
    """WAL and synchronous FULL: a returned intent survives a power cut."""
    journal = Journal(tmp_path / "run.db", VirtualClock(), {})
    database = journal._database
    assert database.execute("PRAGMA journal_mode").fetchone() == ("wal",)
    assert database.execute("PRAGMA synchronous").fetchone() == (2,)
    journal.close()


def test_an_intent_can_be_read_by_others_the_moment_it_returns(tmp_path):
    """Readers look on while the run goes on, and see what is there."""
    path = tmp_path / "run.db"
    with Journal(path, VirtualClock(), {}) as journal:
        for k in range(5):
            journal.intent(MOVE, {"a.x": 0.0})
            assert len(read_journal(path).open_moves) == k + 1


def test_a_closed_journal_is_one_file_that_needs_no_folder(tmp_path):
    """Nothing stays beside it, and a read-only copy can be read."""
    path = tmp_path / "run.db"
    Journal(path, VirtualClock(), {"seed": 1}).close()
    assert [p.name for p in tmp_path.iterdir()] == ["run.db"]
    path.chmod(0o400)
    assert read_journal(path).run["seed"] == 1


def test_files_that_are_in_the_way_or_missing_are_named(tmp_path):
    """An existing record is never written over."""
    path = tmp_path / "run.db"
    Journal(path, VirtualClock(), {}).close()
    with pytest.raises(JournalError, match="exists already"):
        Journal(path, VirtualClock(), {})
    with pytest.raises(JournalError, match="is not there"):
        Journal(tmp_path / "other.db", VirtualClock(), resume=True)
    with pytest.raises(JournalError, match="no such file"):
        read_journal(tmp_path / "other.db")
    with pytest.raises(JournalError, match="cannot be opened"):
        Journal(path / "run.db", VirtualClock(), {})


def test_what_is_no_journal_is_refused(tmp_path):
    """Text, another program's database, and a later format."""
    text, other, later = (tmp_path / n for n in ("text.db", "other.db", "later.db"))
    text.write_text("these are no records\n" * 100)
    with closing(sqlite3.connect(other)) as database, database:
        database.execute("CREATE TABLE record (x)")
    Journal(later, VirtualClock(), {}).close()
    with closing(sqlite3.connect(later)) as database, database:
        database.execute("PRAGMA user_version=99")
    for path, words in ((text, "no journal"), (other, "no journal"), (later, "format 99")):
        with pytest.raises(JournalError, match=words):
            read_journal(path)


def test_a_full_disk_is_an_error_that_says_so(tmp_path):
    """What cannot be recorded is told; the record stays whole up to there."""
    path = tmp_path / "run.db"
    journal = Journal(path, VirtualClock(), {})
    pages = journal._database.execute("PRAGMA page_count").fetchone()[0]
    journal._database.execute(f"PRAGMA max_page_count={pages + 2}")
    returned = []

    def write_until_it_fails():
        for _ in range(1000):
            returned.append(journal.intent(MOVE, {"a.x": 0.0}))

    with pytest.raises(JournalError, match="No motion without a record"):
        write_until_it_fails()
    journal.close()
    assert [m.intent for m in read_journal(path).moves] == returned != []


def test_nothing_is_recorded_after_closing(tmp_path):
    """A closed journal says so; closing twice is fine."""
    journal = Journal(tmp_path / "run.db", VirtualClock(), {})
    journal.close()
    journal.close()
    with pytest.raises(JournalError, match="it is closed"):
        journal.note("x", "y")


def test_a_thumbnail_keeps_light_and_place():
    """Block means keep the brightness, and a spot stays where it was in millimetres."""
    rows, columns = np.mgrid[:600, :800]
    spot = np.exp(-((columns - 500) ** 2 + (rows - 200) ** 2) / (2 * 40.0**2))
    frame = Frame((1000 * spot + 50).astype(np.uint16), pitch=0.1, origin=(399.5, 299.5))
    small = make_thumbnail(frame, side=200)
    grey = np.asarray(Image.open(BytesIO(small.png)), dtype=float)
    assert grey.shape == (150, 200)
    light = small.black + grey / 255 * (small.white - small.black) - 50
    assert light.sum() * 16 == pytest.approx(float((frame.pixels - 50.0).sum()), rel=0.01)
    y, x = (float((light * g).sum() / light.sum()) for g in np.mgrid[:150, :200])
    assert (x - small.origin[0]) * small.pitch[0] == pytest.approx(10.05, abs=0.05)
    assert (y - small.origin[1]) * small.pitch[1] == pytest.approx(-9.95, abs=0.05)


@pytest.mark.parametrize("pixels", [np.zeros((3, 5)), np.full((4, 4), np.nan), np.ones((1, 900))])
def test_a_thumbnail_of_anything_is_a_picture(pixels):
    """Dark, not a number, or a single row: still a picture."""
    small = make_thumbnail(Frame(pixels), side=64)
    assert max(Image.open(BytesIO(small.png)).size) <= 64


def test_a_whole_run_can_be_read_back(make_bench, tmp_path):
    """Counts, positions and verdict of the record are those of the session."""
    bench = make_bench()
    path = tmp_path / "run.db"
    session = Session.for_bench(bench, ResponseMatrix())
    with Journal(path, bench.clock, {"bench": describe_bench(bench)}) as journal:
        run(bench, session, journal)
    past = read_journal(path)
    assert len(past.measurements) == session.measurements
    assert len(past.moves) == session.moves
    assert all(m.status == "done" for m in past.moves)
    assert past.measurements[-1].measurement.in_spec
    assert past.measurements[-1].positions == session.positions
    assert [a["name"] for a in past.run["bench"]["axes"]] == list(bench.axes)


@pytest.mark.slow
def test_frames_of_a_simulated_bench_are_kept_small_and_in_place(tmp_path):
    """Every look keeps a picture of each plane, bright where the centroid was measured."""
    bench = benches.collimator(seed=2)
    align(bench, strategy="response-matrix", budget=3, journal=tmp_path / "run.db")
    past = read_journal(tmp_path / "run.db")
    assert len(past.measurements) == 3
    for look in past.measurements:
        assert set(look.thumbnails) == {"near", "far"}
        for plane, small in look.thumbnails.items():
            grey = np.asarray(Image.open(BytesIO(small.png)), dtype=float)
            light = np.where(grey > 100, grey, 0.0)
            y, x = (float((light * g).sum() / light.sum()) for g in np.indices(grey.shape))
            spot = look.measurement.profiles[plane].centroid
            assert (x - small.origin[0]) * small.pitch[0] == pytest.approx(spot[0], abs=2.0)
            assert (y - small.origin[1]) * small.pitch[1] == pytest.approx(spot[1], abs=2.0)


def test_the_export_has_every_record_as_a_line(tmp_path):
    """JSON lines, in order, readable by anything."""
    path, out = tmp_path / "run.db", tmp_path / "run.jsonl"
    with Journal(path, VirtualClock(), {"seed": 3}) as journal:
        journal.intent(MOVE, {"a.x": 0.0})
        journal.finish(Finish(Status.STOPPED, False, "x"))
    assert export_jsonl(path, out) == 3
    lines = [json.loads(line) for line in out.read_text().splitlines()]
    assert [r["kind"] for r in lines] == ["run", "intent", "finish"]
