"""Reads the record of a run, also while it is being written."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping
from contextlib import closing
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

from autoalign.core.errors import JournalError
from autoalign.journal.codec import decode_observation
from autoalign.journal.tables import check_version
from autoalign.journal.thumbnails import Thumbnail
from autoalign.session.replay import Recorded
from autoalign.strategies.base import Observation

__all__ = ["JournalRun", "LookRecord", "MoveRecord", "export_jsonl", "read_journal"]


@dataclass(frozen=True, slots=True, eq=False)
class LookRecord:
    """One look: ``positions`` of all axes (mm or rad), what was seen, and the frames reduced.

    ``elapsed`` is how far into the run it ended, s, without the pauses of interrupted runs.
    """

    number: int
    time: float
    wall: str
    frames: int
    reason: str
    positions: Mapping[str, float]
    observation: Observation
    thumbnails: Mapping[str, Thumbnail] = field(default_factory=dict)
    elapsed: float = 0.0


@dataclass(frozen=True, slots=True)
class MoveRecord:
    """One move. ``status`` is None where its outcome was never recorded (an open intent)."""

    intent: int
    number: int
    time: float
    wall: str
    reason: str
    start: Mapping[str, float]
    targets: Mapping[str, float]
    legs: Mapping[str, tuple[float, ...]]
    status: str | None = None
    positions: Mapping[str, float] = field(default_factory=dict)
    message: str = ""
    ended: float | None = None


@dataclass(frozen=True, slots=True, eq=False)
class JournalRun:
    """Everything that a journal holds.

    ``run`` is what the writer was given (bench, strategy, seed, versions …), ``finish`` how it
    ended or None, ``notes`` in order.
    """

    path: Path
    run: Mapping[str, Any]
    looks: tuple[LookRecord, ...]
    moves: tuple[MoveRecord, ...]
    notes: tuple[Mapping[str, Any], ...]
    finish: Mapping[str, Any] | None

    @property
    def open_moves(self) -> tuple[MoveRecord, ...]:
        """Moves that were meant and whose outcome is not known."""
        return tuple(m for m in self.moves if m.status is None)

    @property
    def replay(self) -> tuple[Recorded, ...]:
        """The looks, oldest first, as a session takes them to go on with the run."""
        return tuple(Recorded(k.observation, k.reason, k.elapsed) for k in self.looks)


def read_journal(path: str | Path) -> JournalRun:
    """Read the journal at ``path`` without writing to it.

    Raises
    ------
    JournalError
        Where there is no such file, or it is not a journal.
    """
    path = Path(path)
    looks: list[LookRecord] = []
    moves: dict[int, MoveRecord] = {}
    notes: list[Mapping[str, Any]] = []
    run: Mapping[str, Any] = {}
    finish: Mapping[str, Any] | None = None
    with closing(_connect(path)) as database:
        for record in _records(database, path):
            data, kind = record["data"], record["kind"]
            if kind == "look":
                looks.append(_look(record, _thumbnails(database, record["seq"])))
            elif kind == "intent":
                moves[record["seq"]] = _move(record)
            elif kind == "outcome":
                moves[record["ref"]] = _with_outcome(moves[record["ref"]], record)
            elif kind == "note":
                notes.append({**data, "time": record["time"], "wall": record["wall"]})
            elif kind == "run":
                run = {**data, "wall": record["wall"]}
            elif kind == "finish":
                finish = {**data, "time": record["time"], "wall": record["wall"]}
    return JournalRun(path, run, tuple(looks), tuple(moves.values()), tuple(notes), finish)


def export_jsonl(path: str | Path, out: str | Path) -> int:
    """Write every record of the journal at ``path`` as one JSON line to ``out``; return how many.

    Frames are left out.
    """
    count = 0
    with closing(_connect(Path(path))) as database, Path(out).open("w", encoding="utf-8") as file:
        for record in _records(database, Path(path)):
            file.write(json.dumps(record) + "\n")
            count += 1
    return count


def _connect(path: Path) -> sqlite3.Connection:
    if not path.is_file():
        raise JournalError(f"journal {path}: there is no such file.")
    log_is_empty = not path.with_name(path.name + "-wal").exists()
    try:
        database = sqlite3.connect(f"{path.absolute().as_uri()}?mode=ro", uri=True, timeout=5.0)
        database.execute("SELECT count(*) FROM sqlite_master").fetchone()
    except sqlite3.OperationalError as error:
        if not log_is_empty:
            raise JournalError(f"journal {path}: cannot be read: {error}.") from error
        database = sqlite3.connect(f"{path.absolute().as_uri()}?immutable=1", uri=True)
    except sqlite3.DatabaseError as error:
        raise JournalError(f"journal {path}: it is no journal: {error}.") from error
    return database


def _records(database: sqlite3.Connection, path: Path) -> Iterator[dict[str, Any]]:
    try:
        check_version(database, path)
        rows = database.execute(
            "SELECT seq, time, wall, kind, ref, data FROM record ORDER BY seq"
        ).fetchall()
    except sqlite3.Error as error:
        raise JournalError(f"journal {path}: cannot be read: {error}.") from error
    for seq, time, wall, kind, ref, data in rows:
        yield {
            "seq": seq,
            "time": time,
            "wall": wall,
            "kind": kind,
            "ref": ref,
            "data": json.loads(data),
        }


def _thumbnails(database: sqlite3.Connection, look: int) -> dict[str, Thumbnail]:
    found = {}
    for plane, place, png in database.execute(
        "SELECT plane, place, png FROM thumbnail WHERE look=?", (look,)
    ):
        pitch, origin, black, white, view = json.loads(place)
        rows = (tuple(view[0]), tuple(view[1]))
        found[plane] = Thumbnail(
            plane, png, tuple(pitch), tuple(origin), float(black), float(white), rows
        )
    return found


def _look(record: Mapping[str, Any], thumbnails: Mapping[str, Thumbnail]) -> LookRecord:
    data = record["data"]
    return LookRecord(
        data["number"],
        record["time"],
        record["wall"],
        data["frames"],
        data["reason"],
        data["positions"],
        decode_observation(data),
        thumbnails,
        float(data.get("elapsed", 0.0)),
    )


def _move(record: Mapping[str, Any]) -> MoveRecord:
    data = record["data"]
    return MoveRecord(
        record["seq"],
        data["number"],
        record["time"],
        record["wall"],
        data["reason"],
        data["from"],
        data["targets"],
        {n: tuple(legs) for n, legs in data["legs"].items()},
    )


def _with_outcome(move: MoveRecord, record: Mapping[str, Any]) -> MoveRecord:
    data = record["data"]
    return replace(
        move,
        status=data["status"],
        positions=data["positions"],
        message=data["message"],
        ended=record["time"],
    )
