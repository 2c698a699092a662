"""Writes the record of a run. When a method returns, what it was given survives a power cut."""

from __future__ import annotations

import json
import sqlite3
import threading
from collections.abc import Iterable, Mapping
from contextlib import closing, suppress
from pathlib import Path
from types import TracebackType
from typing import Any, Self

from autoalign.core.clock import Clock
from autoalign.core.errors import JournalError
from autoalign.core.files import atomic_write
from autoalign.journal.codec import encode_observation, plain
from autoalign.journal.reader import read_to_resume
from autoalign.journal.tables import add_record, empty_journal, picture_digest
from autoalign.journal.thumbnails import Thumbnail
from autoalign.session.actions import Finish, Measure, Move
from autoalign.strategies.base import Measurement

__all__ = ["Journal"]


class Journal:
    """The one writer of one run's file.

    The file comes into being whole, with the description of the run in it: a process that is killed
    meanwhile leaves no file, or one to go on with.

    Parameters
    ----------
    path
        File to make; or, with ``resume``, the file of an interrupted run to go on with.
    clock
        The bench's clock, for the time on every record.
    run
        What the run is: bench, strategy, seed, versions … (anything JSON holds).
    resume
        Open an existing file instead of making one. ``open_intents`` then lists the moves whose
        outcome was never recorded: where those axes stand is not known.

    Raises
    ------
    JournalError
        Where the file exists already (or does not, with ``resume``), cannot be written, or was
        written by a later version; with ``resume`` also where records of it are damaged.
    """

    def __init__(
        self,
        path: str | Path,
        clock: Clock,
        run: Mapping[str, Any] | None = None,
        *,
        resume: bool = False,
    ) -> None:
        self.path = Path(path)
        self.open_intents: tuple[int, ...] = ()
        self._clock = clock
        self._lock = threading.Lock()
        self._closed = False
        if self.path.exists() != resume:
            what = "is not there" if resume else "exists already"
            raise JournalError(f"journal {self.path}: the file {what}; name another one.")
        if resume:
            past = read_to_resume(self.path)
            self.open_intents = tuple(m.intent for m in past.open_moves)
        try:
            if not resume:
                first = None if run is None else _text(run)
                wall = clock.wall().isoformat()
                atomic_write(self.path, empty_journal(float(clock.now()), wall, first), new=True)
            self._database = self._open()
        except (sqlite3.Error, OSError) as error:
            raise JournalError(f"journal {self.path}: cannot be opened: {error}.") from error
        if resume and run is not None:
            self._record("run", run)

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    def intent(self, move: Move, positions: Mapping[str, float]) -> int:
        """Record that ``move`` is about to begin from ``positions``; return the intent's number."""
        data = {
            "number": move.number,
            "targets": move.targets,
            "legs": move.legs,
            "from": {n: positions[n] for n in move.targets},
            "reason": move.reason,
            "purpose": move.purpose,
        }
        return self._record("intent", data)

    def outcome(
        self, intent: int, status: str, positions: Mapping[str, float], message: str = ""
    ) -> None:
        """Record how the move of ``intent`` ended: "done", "failed", "stopped" or "unknown"."""
        data = {"status": status, "positions": positions, "message": message}
        self._record("outcome", data, ref=intent)

    def look(
        self,
        look: Measure,
        positions: Mapping[str, float],
        measurement: Measurement,
        thumbnails: Iterable[Thumbnail] = (),
        elapsed: float = 0.0,
    ) -> None:
        """Record what was measured ``elapsed`` s into the run, with ``positions`` of all axes."""
        data = {
            "number": look.number,
            "frames": look.frames,
            "reason": look.reason,
            "purpose": look.purpose,
            "elapsed": elapsed,
            "positions": positions,
            **encode_observation(measurement),
        }
        self._record("look", data, thumbnails=thumbnails)

    def note(self, kind: str, text: str, **data: Any) -> None:
        """Record anything else that matters, in words."""
        self._record("note", {"kind": kind, "text": text, **data})

    def finish(self, finish: Finish, **data: Any) -> None:
        """Record how the run ended."""
        record = {"status": finish.status, "in_spec": finish.in_spec, "reason": finish.reason}
        self._record("finish", {**record, **data})

    def close(self) -> None:
        """Fold the log into the file, so that the one file is the whole record. Callable twice."""
        with self._lock:
            if self._closed:
                return
            self._closed = True
            # Fails while a reader is looking: the log then stays beside the file, complete.
            with closing(self._database), suppress(sqlite3.OperationalError):
                self._database.execute("PRAGMA wal_checkpoint(TRUNCATE)")
                self._database.execute("PRAGMA journal_mode=DELETE")

    def _open(self) -> sqlite3.Connection:
        database = sqlite3.connect(
            f"{self.path.absolute().as_uri()}?mode=rw",
            uri=True, isolation_level=None, check_same_thread=False, timeout=5.0,
        )  # fmt: skip
        try:
            database.execute("PRAGMA journal_mode=WAL")
            database.execute("PRAGMA synchronous=FULL")
        except BaseException:
            database.close()
            raise
        return database

    def _record(
        self,
        kind: str,
        data: Mapping[str, Any],
        ref: int | None = None,
        thumbnails: Iterable[Thumbnail] = (),
    ) -> int:
        with self._lock:
            if self._closed:
                raise JournalError(f"journal {self.path}: it is closed; nothing was recorded.")
            try:
                return self._insert(kind, data, ref, thumbnails)
            except sqlite3.Error as error:
                raise JournalError(
                    f"journal {self.path}: {kind} could not be recorded: {error}. No motion "
                    "without a record: make room or choose another folder, then start again."
                ) from error

    def _insert(
        self,
        kind: str,
        data: Mapping[str, Any],
        ref: int | None,
        thumbnails: Iterable[Thumbnail],
    ) -> int:
        wall = self._clock.wall().isoformat()
        database = self._database
        database.execute("BEGIN IMMEDIATE")
        try:
            if kind == "look":
                data = {**data, "pictures": {t.plane: self._keep(t) for t in thumbnails}}
            now = float(self._clock.now())
            number = add_record(database, now, wall, kind, ref, _text(data))
            database.execute("COMMIT")
        except BaseException:
            if database.in_transaction:
                database.execute("ROLLBACK")
            raise
        return number

    def _keep(self, picture: Thumbnail) -> tuple[int, str]:
        """Add a picture inside a transaction; return its number and its digest."""
        p = picture
        place = _text([p.pitch, p.origin, p.black, p.white, p.view])
        query = "INSERT INTO picture(place, png) VALUES (?, ?)"
        number = self._database.execute(query, (place, p.png)).lastrowid
        return int(number or 0), picture_digest(place, p.png)


def _text(data: Any) -> str:
    return json.dumps(plain(data), allow_nan=False)
