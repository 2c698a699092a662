"""A damaged journal gives what is sound, names what is not, and raises one family of errors."""

from __future__ import annotations

import json
import os
import shutil
import subprocess
import sys
from pathlib import Path

import numpy as np
import pytest

from autoalign.core.clock import VirtualClock
from autoalign.core.errors import JournalError
from autoalign.core.files import atomic_write
from autoalign.core.frames import Frame
from autoalign.journal import (
    DamageKind,
    Journal,
    JournalRun,
    export_jsonl,
    read_journal,
    read_to_resume,
)
from autoalign.journal.codec import encode_observation, plain
from autoalign.journal.image import Log, take_image
from autoalign.journal.thumbnails import make_thumbnail
from autoalign.session import Finish, Measure, Move, Status
from autoalign.strategies.base import Cause, Measurement


def _fill(journal: Journal, clock: VirtualClock, rounds: int = 4) -> None:
    rng = np.random.default_rng(3)
    for k in range(rounds):
        clock.sleep(1.3)
        move = Move(k, {"a.x": k * 0.1}, {"a.x": (k * 0.1,)}, "measurement")
        journal.outcome(journal.intent(move, {"a.x": 0.0}), "done", {"a.x": k * 0.1})
        pixels = rng.integers(0, 200, (2, 30, 40)).astype(np.uint16)
        pictures = [
            make_thumbnail(Frame(p, pitch=0.1, plane=n))
            for n, p in zip(("near", "far"), pixels, strict=True)
        ]
        seen = Measurement(
            rng.standard_normal(60), {}, findings=(Cause.UNMEASURED.found("far", f"look {k}"),)
        )
        journal.look(Measure(k, 0.0, 4, "measurement"), {"a.x": k * 0.1}, seen, pictures, k * 1.3)
        journal.note("hint", f"note {k}")


@pytest.fixture(scope="module", name="closed")
def _closed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a journal that ended in order: one file."""
    path = tmp_path_factory.mktemp("closed") / "run.db"
    clock = VirtualClock()
    with Journal(path, clock, {"seed": 7, "list": list(range(300))}) as journal:
        _fill(journal, clock)
        journal.finish(Finish(Status.STOPPED, False, "end"))
    return path


@pytest.fixture(scope="module", name="killed")
def _killed(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a journal as a killed process leaves it: a file, and all that counts in its log."""
    folder = tmp_path_factory.mktemp("killed")
    clock = VirtualClock()
    with Journal(folder / "run.db", clock, {"seed": 7}) as journal:
        _fill(journal, clock)
        for name in ("run.db", "run.db-wal"):
            shutil.copy(folder / name, folder / f"left-{name}")
    return folder / "left-run.db"


def _content(run: JournalRun) -> dict[tuple[object, ...], str]:
    """Return everything that the journal gives, as text by what it is."""
    parts: dict[tuple[object, ...], object] = {}
    if run.run:
        parts["run",] = dict(run.run)
    if run.finish is not None:
        parts["finish",] = dict(run.finish)
    for look in run.measurements:
        parts["look", look.number] = [
            look.time, look.wall, look.frames, look.reason, look.elapsed, dict(look.positions),
            encode_observation(look.measurement),
        ]  # fmt: skip
        for plane, t in look.thumbnails.items():
            place = [t.pitch, t.origin, t.black, t.white, t.view]
            parts["picture", look.number, plane] = [t.png.hex(), place]
    for m in run.moves:
        parts["move", m.intent] = [m.number, m.time, m.wall, m.reason, m.start, m.targets, m.legs]
        if m.status is not None:
            parts["outcome", m.intent] = [m.status, m.positions, m.message, m.ended]
    for note in run.notes:
        parts["note", str(note["text"])] = dict(note)
    return {k: json.dumps(plain(v), sort_keys=True) for k, v in parts.items()}


def _copy(journal: Path, folder: Path) -> tuple[Path, list[Path]]:
    """Copy the journal with its log; return it and the files."""
    folder.mkdir()
    beside = Path(f"{journal}-wal")
    files = [Path(shutil.copy(p, folder)) for p in (journal, beside) if p.exists()]
    return files[0], files


def _flip(files: list[Path], at: int, bit: int) -> None:
    for file in files:
        data = bytearray(file.read_bytes())
        if at < len(data):
            data[at] ^= 1 << bit
            file.write_bytes(data)
            return
        at -= len(data)


@pytest.mark.parametrize("copies", [40, pytest.param(300, marks=pytest.mark.slow)])
@pytest.mark.parametrize("which", ["closed", "killed"])
def test_a_flipped_bit_is_never_silent_and_never_a_foreign_error(
    which: str, copies: int, request: pytest.FixtureRequest, tmp_path: Path
) -> None:
    """A bit in each of many copies: what is given is as written, the rest is named."""
    journal = request.getfixturevalue(which)
    truth = _content(read_journal(journal))
    rng = np.random.default_rng(1)
    named = refused = lost = 0
    for k in range(copies):
        path, files = _copy(journal, tmp_path / str(k))
        size = sum(f.stat().st_size for f in files)
        _flip(files, int(rng.integers(size)), int(rng.integers(8)))
        try:
            run = read_journal(path)
        except JournalError:
            refused += 1
            continue
        given = _content(run)
        assert {p: v for p, v in given.items() if truth.get(p) != v} == {}
        assert given.keys() == truth.keys() or run.damage
        named += bool(run.damage)
        lost += len(truth) - len(given)
        shutil.rmtree(path.parent)
    assert named > copies / 4
    assert refused < copies / 20
    assert lost < named * 3, "a flipped bit costs little more than what it is in"


@pytest.mark.parametrize("part", [0.1, 0.5, 0.9, 0.999])
def test_a_journal_cut_short_gives_what_is_left_and_says_so(
    closed: Path, tmp_path: Path, part: float
) -> None:
    """Whatever is given is as it was written, and the damage is named."""
    truth = _content(read_journal(closed))
    path, _ = _copy(closed, tmp_path / "cut")
    data = path.read_bytes()
    path.write_bytes(data[: int(part * len(data))])
    run = read_journal(path)
    assert run.damage
    assert not run.whole
    assert _content(run).items() <= truth.items()


def test_a_torn_end_loses_the_last_entry_only_and_can_be_resumed(
    killed: Path, tmp_path: Path
) -> None:
    """A power cut in the middle of an entry: what was durable before it is all there."""
    truth = read_journal(killed)
    path, files = _copy(killed, tmp_path / "torn")
    files[1].write_bytes(files[1].read_bytes()[:-100])
    run = read_to_resume(path)
    assert [d.kind for d in run.damage] == [DamageKind.TORN_END]
    assert [n["text"] for n in run.notes] == [n["text"] for n in truth.notes[:-1]]
    with Journal(path, VirtualClock(), resume=True) as journal:
        journal.note("hint", "afterwards")
    after = read_journal(path)
    assert after.damage == ()
    assert [n["text"] for n in after.notes] == [*(n["text"] for n in run.notes), "afterwards"]


def test_an_entry_that_was_never_committed_is_no_damage(killed: Path, tmp_path: Path) -> None:
    """A process killed before it had committed has told nobody that anything was recorded."""
    path, files = _copy(killed, tmp_path / "open")
    log = files[1].read_bytes()
    page = int.from_bytes(log[8:12], "big")
    files[1].write_bytes(log[: -(page + 24)])
    assert take_image(path).log is Log.SOUND
    assert read_journal(path).damage == ()


def test_a_damaged_run_is_read_but_not_resumed(closed: Path, tmp_path: Path) -> None:
    """What would be missing from it cannot be known."""
    path, files = _copy(closed, tmp_path / "resumed")
    at = files[0].read_bytes().index(b'"note 3"')
    _flip(files, at + 2, 0)
    run = read_journal(path)
    assert [d.kind for d in run.damage] == [DamageKind.RECORD]
    assert "note 3" not in [n["text"] for n in run.notes]
    before = path.read_bytes()
    with pytest.raises(JournalError, match=r"cannot be resumed.*record \d+: is damaged; set aside"):
        Journal(path, VirtualClock(), resume=True)
    assert path.read_bytes() == before


def test_a_damaged_picture_costs_the_picture_alone(closed: Path, tmp_path: Path) -> None:
    """The measurement that it belongs to is sound, and the run is still whole."""
    path, files = _copy(closed, tmp_path / "picture")
    picture = read_journal(closed).measurements[2].thumbnails["far"].png
    _flip(files, files[0].read_bytes().index(picture[60:100]), 3)
    run = read_journal(path)
    assert run.measurements[2].thumbnails.keys() == {"near"}
    assert [d.kind for d in run.damage] == [DamageKind.PICTURE]
    assert run.whole


def test_the_export_names_what_was_set_aside(closed: Path, tmp_path: Path) -> None:
    """A line for every sound record, then one for everything that is not."""
    path, files = _copy(closed, tmp_path / "export")
    _flip(files, files[0].read_bytes().index(b'"note 2"') + 2, 1)
    count = export_jsonl(path, tmp_path / "out.jsonl")
    lines = [json.loads(line) for line in (tmp_path / "out.jsonl").read_text().splitlines()]
    assert len(lines) == count + 1
    assert (lines[-1]["kind"], lines[-1]["code"]) == ("damage", "record")


def test_a_reader_writes_nothing(killed: Path, tmp_path: Path) -> None:
    """On a full disk, or where it may not write, a journal with its log is read all the same."""
    path, files = _copy(killed, tmp_path / "full")
    before = {f.name: f.read_bytes() for f in files}
    assert len(read_journal(path).measurements) == 4
    assert {f.name: f.read_bytes() for f in path.parent.iterdir()} == before


def test_a_new_file_never_takes_the_place_of_another(tmp_path: Path) -> None:
    """Two that make the same journal at once: one of them is told."""
    place = tmp_path / "run.db"
    atomic_write(place, "first", new=True)
    with pytest.raises(FileExistsError):
        atomic_write(place, "second", new=True)
    assert [p.read_text() for p in tmp_path.iterdir()] == ["first"]


_CHILD = """
import os, signal, sqlite3, sys
from autoalign.core.clock import VirtualClock
from autoalign.journal import Journal
count = 0

def trace(frame, event, argument):
    global count
    count += 1
    if count == int(sys.argv[2]):
        os.kill(os.getpid(), signal.SIGKILL)
    return trace

clock = VirtualClock()
sys.settrace(trace)
journal = Journal(sys.argv[1], clock, {"seed": 5})
sys.settrace(None)
print(count)
"""


@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
def test_a_journal_killed_while_it_is_made_resumes_or_restarts(tmp_path: Path) -> None:
    """Killed at any line of its making there is no file, or one with the run's description."""

    def make(name: str, line: int) -> str:
        command = [sys.executable, "-c", _CHILD, str(tmp_path / name), str(line)]
        return subprocess.run(command, capture_output=True, text=True, check=False).stdout

    lines = int(make("whole.db", 0))
    assert lines > 100
    ended = set()
    for line in np.linspace(1, lines, 6).astype(int):
        path = tmp_path / f"{line}.db"
        assert make(path.name, line) == ""
        there = path.exists()
        with Journal(path, VirtualClock(), None if there else {"seed": 5}, resume=there):
            ended.add("resumed" if there else "restarted")
        assert read_journal(path).run["seed"] == 5
        assert read_journal(path).damage == ()
    assert ended == {"resumed", "restarted"}
