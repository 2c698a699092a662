"""Reads the record of a run, also while it is being written."""

from __future__ import annotations

import json
import sqlite3
from collections.abc import Iterator, Mapping, Sequence
from contextlib import closing
from dataclasses import dataclass, field, replace
from enum import StrEnum
from pathlib import Path
from typing import Any

from autoalign.core.errors import JournalError
from autoalign.journal.codec import decode_observation
from autoalign.journal.image import Log, take_image
from autoalign.journal.tables import (
    APPLICATION,
    VERSION,
    picture_digest,
    record_digest,
    seal_digest,
)
from autoalign.journal.thumbnails import Thumbnail
from autoalign.session.actions import Purpose
from autoalign.session.replay import Replayed
from autoalign.strategies.base import Measurement

__all__ = [
    "Damage",
    "DamageKind",
    "JournalRun",
    "MeasurementRecord",
    "MoveRecord",
    "export_jsonl",
    "read_journal",
    "read_to_resume",
]

_SHORTEST = 64
"""Bytes; no record is shorter, so this bounds the number of records in a file of a given size."""


class DamageKind(StrEnum):
    """What of a journal is damaged."""

    RECORD = "record"
    PICTURE = "picture"
    FILE = "file"
    TORN_END = "torn-end"
    """The last entry was cut off while it was written, or is damaged; all before it is sound."""


@dataclass(frozen=True, slots=True)
class Damage:
    """What was set aside: its kind, ``why`` in words, and the number of the record, if known."""

    kind: DamageKind
    why: str
    record: int | None = None

    def __str__(self) -> str:
        """Return it as a sentence."""
        where = "" if self.record is None else f"record {self.record}: "
        return f"{where}{self.why}; set aside."


@dataclass(frozen=True, slots=True, eq=False)
class MeasurementRecord:
    """One measurement: ``positions`` of all axes (mm or rad), its outcome, the frames reduced.

    ``elapsed`` is how far into the run it ended, s, without the pauses of interrupted runs.
    """

    number: int
    time: float
    wall: str
    frames: int
    reason: str
    positions: Mapping[str, float]
    measurement: Measurement
    thumbnails: Mapping[str, Thumbnail] = field(default_factory=dict)
    elapsed: float = 0.0
    purpose: Purpose = Purpose.PROBE


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
    purpose: Purpose = Purpose.PROBE


@dataclass(frozen=True, slots=True, eq=False)
class JournalRun:
    """Everything that a journal holds.

    ``run`` is what the writer was given (bench, strategy, seed, versions …), ``finish`` how it
    ended or None, ``notes`` in order. ``damage`` lists what was set aside because it is not, or
    may not be, as it was written; everything else is sound.
    """

    path: Path
    run: Mapping[str, Any]
    measurements: tuple[MeasurementRecord, ...]
    moves: tuple[MoveRecord, ...]
    notes: tuple[Mapping[str, Any], ...]
    finish: Mapping[str, Any] | None
    damage: tuple[Damage, ...] = ()

    @property
    def whole(self) -> bool:
        """Whether nothing that was recorded is lost, but for an entry cut off at the end."""
        return all(d.kind in (DamageKind.PICTURE, DamageKind.TORN_END) for d in self.damage)

    @property
    def open_moves(self) -> tuple[MoveRecord, ...]:
        """Moves that were meant and whose outcome is not known."""
        return tuple(m for m in self.moves if m.status is None)

    @property
    def replay(self) -> tuple[Replayed, ...]:
        """The measurements, oldest first, as a session takes them to go on with the run."""
        return tuple(Replayed(k.measurement, k.purpose, k.elapsed) for k in self.measurements)


def read_journal(path: str | Path) -> JournalRun:
    """Read the journal at ``path`` without writing anything; what is damaged is set aside.

    Raises
    ------
    JournalError
        Where there is no such file, it is not a journal, or nothing in it can be read.
    """
    path = Path(path)
    sound = _Sound(path)
    measurements: list[MeasurementRecord] = []
    moves: dict[int, MoveRecord] = {}
    notes: list[Mapping[str, Any]] = []
    run: Mapping[str, Any] = {}
    finish: Mapping[str, Any] | None = None
    for record in sound.records():
        data, kind, seq = record["data"], record["kind"], record["seq"]
        stamped = {**data, "time": record["time"], "wall": record["wall"]}
        try:
            if kind == "look":
                measurements.append(_look(record, sound.pictures(seq, data["pictures"])))
            elif kind == "intent":
                moves[seq] = _move(record)
            elif kind == "outcome":
                moves[record["ref"]] = _with_outcome(moves[record["ref"]], record)
            elif kind == "note":
                notes.append(stamped)
            elif kind == "run":
                run = {**data, "wall": record["wall"]}
            elif kind == "finish":
                finish = stamped
        except (LookupError, TypeError, ValueError) as error:
            why = f"{kind} cannot be understood ({type(error).__name__}: {error})"
            sound.damage.append(Damage(DamageKind.RECORD, why, seq))
    damage = tuple(sorted(sound.damage, key=lambda d: d.record or 0))
    return JournalRun(
        path, run, tuple(measurements), tuple(moves.values()), tuple(notes), finish, damage
    )


def read_to_resume(path: str | Path) -> JournalRun:
    """Read the journal at ``path`` of a run to be gone on with.

    Raises
    ------
    JournalError
        As :func:`read_journal`, and where records are lost: the run would not be the same one.
    """
    run = read_journal(path)
    if not run.whole:
        raise JournalError(
            f"journal {path}: it is damaged and cannot be resumed; the sound part can be read. "
            f"Start a new journal. {' '.join(map(str, run.damage))}"
        )
    return run


def export_jsonl(path: str | Path, out: str | Path) -> int:
    """Write every sound record of the journal at ``path`` as a JSON line; return how many.

    A line of kind "damage" follows for everything that was set aside. Pictures are left out.
    """
    sound = _Sound(Path(path))
    count = 0
    with Path(out).open("w", encoding="utf-8") as file:
        for record in sound.records():
            file.write(json.dumps(record) + "\n")
            count += 1
        for damage in sound.damage:
            line = {"kind": "damage", "code": damage.kind, "seq": damage.record, "data": damage.why}
            file.write(json.dumps(line) + "\n")
    return count


class _Sound:
    """Gives the records of a journal that bear out their digests; ``damage`` lists the others."""

    def __init__(self, path: Path) -> None:
        self.path = path
        self.damage: list[Damage] = []
        image = take_image(path)
        self._room = len(image.content) // _SHORTEST
        if image.cut:
            self.damage.append(Damage(DamageKind.FILE, "the file is not as long as it was"))
        if image.log is Log.DAMAGED:
            self.damage.append(Damage(DamageKind.FILE, "the log beside the file is damaged"))
        if image.log is Log.TORN:
            why = "the last entry was never finished, or is damaged"
            self.damage.append(Damage(DamageKind.TORN_END, why))
        self._database = sqlite3.connect(":memory:")
        self._database.text_factory = bytes
        try:
            self._database.deserialize(image.content)
            self._database.execute("PRAGMA cell_size_check=ON")
            self._check_kind()
        except (sqlite3.Error, OverflowError, MemoryError) as error:
            self._database.close()
            raise JournalError(
                f"journal {path}: it is no journal, or its tables are damaged ({error})."
            ) from error
        except JournalError:
            self._database.close()
            raise

    def records(self) -> Iterator[dict[str, Any]]:
        """Yield the sound records in order, and close the file after the last."""
        with closing(self._database):
            last, counted = self._last()
            for seq in range(1, last + 1):
                row = self._row(
                    "SELECT time, wall, kind, ref, data, digest FROM record WHERE seq=?", seq
                )
                record = None if row is None else _proven(seq, row)
                if record is None:
                    lost = "is missing" if row is None and counted else "is damaged"
                    self.damage.append(Damage(DamageKind.RECORD, lost, seq))
                else:
                    yield record

    def pictures(self, seq: int, named: Mapping[str, Sequence[Any]]) -> dict[str, Thumbnail]:
        """Return the sound pictures by plane of those that record ``seq`` names."""
        found = {}
        for plane, (number, digest) in named.items():
            row = self._row("SELECT place, png FROM picture WHERE number=?", int(number))
            place, png = _texts(row or (), 1) or (None, None)
            if not isinstance(png, bytes) or picture_digest(str(place), png) != digest:
                self.damage.append(
                    Damage(DamageKind.PICTURE, f"its picture of plane {plane} is damaged", seq)
                )
                continue
            found[plane] = _thumbnail(plane, str(place), png)
        return found

    def _check_kind(self) -> None:
        mark, version = (
            self._database.execute(f"PRAGMA {p}").fetchone()[0]
            for p in ("application_id", "user_version")
        )
        if mark != APPLICATION:
            raise JournalError(f"journal {self.path}: it is no journal, or its head is damaged.")
        if version != VERSION:
            raise JournalError(
                f"journal {self.path}: it has format {version}; this version reads {VERSION}."
            )

    def _last(self) -> tuple[int, bool]:
        """Return the number of the last record, and whether that is certain."""
        there = self._row("SELECT max(seq) FROM record")
        most = there[0] if there is not None and isinstance(there[0], int) else 0
        sealed = self._row("SELECT last, digest FROM seal WHERE one=1")
        last, digest = sealed or (None, None)
        if isinstance(last, int) and digest == seal_digest(last) and most <= last:
            return last, True
        self.damage.append(
            Damage(DamageKind.FILE, "the count of records is damaged; the last may be missing")
        )
        return min(max(most, 0), self._room), False

    def _row(self, query: str, *values: int) -> tuple[Any, ...] | None:
        """Return the first row that ``query`` gives; None where there is none to be had."""
        try:
            row = self._database.execute(query, values).fetchone()
        except (sqlite3.Error, OverflowError, MemoryError):
            return None
        return None if row is None else tuple(row)


def _proven(seq: int, row: Sequence[Any]) -> dict[str, Any] | None:
    """Return the record in ``row`` where it bears out its digest."""
    time, wall, kind, ref, data, digest = row
    texts = _texts((wall, kind, data), 3)
    if texts is None or not isinstance(time, float) or not isinstance(ref, int | None):
        return None
    wall, kind, data = texts
    if record_digest(seq, time, wall, kind, ref, data) != digest:
        return None
    return {
        "seq": seq, "time": time, "wall": wall, "kind": kind, "ref": ref, "data": json.loads(data),
    }  # fmt: skip


def _texts(row: Sequence[Any], count: int) -> tuple[Any, ...] | None:
    """Return ``row`` with its first ``count`` values as text; None where they are none."""
    try:
        return (*(v.decode() for v in row[:count]), *row[count:]) if row else None
    except (AttributeError, UnicodeDecodeError):
        return None


def _thumbnail(plane: str, place: str, png: bytes) -> Thumbnail:
    pitch, origin, black, white, view = json.loads(place)
    rows = (tuple(view[0]), tuple(view[1]))
    return Thumbnail(plane, png, tuple(pitch), tuple(origin), float(black), float(white), rows)


def _look(record: Mapping[str, Any], thumbnails: Mapping[str, Thumbnail]) -> MeasurementRecord:
    data = record["data"]
    return MeasurementRecord(
        data["number"],
        record["time"],
        record["wall"],
        data["frames"],
        data["reason"],
        data["positions"],
        decode_observation(data),
        thumbnails,
        float(data.get("elapsed", 0.0)),
        Purpose(data["purpose"]),
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
        purpose=Purpose(data["purpose"]),
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
