"""The tables of a journal, their version, and the digests that seal them.

Every record carries a digest of all its columns; the record of a measurement names its pictures
with theirs; one row counts the records, so that one that is missing is missed.
"""

from __future__ import annotations

import hashlib
import json
import sqlite3
from contextlib import closing
from typing import Any

__all__ = [
    "APPLICATION",
    "VERSION",
    "add_record",
    "empty_journal",
    "picture_digest",
    "record_digest",
    "seal_digest",
]

VERSION = 2

APPLICATION = 0x61616A6C
"""SQLite's ``application_id`` of a journal."""

_SCHEMA = """
CREATE TABLE record (
    seq INTEGER PRIMARY KEY,
    time REAL NOT NULL,
    wall TEXT NOT NULL,
    kind TEXT NOT NULL,
    ref INTEGER,
    data TEXT NOT NULL,
    digest BLOB NOT NULL
);
CREATE TABLE picture (
    number INTEGER PRIMARY KEY,
    place TEXT NOT NULL,
    png BLOB NOT NULL
);
CREATE TABLE seal (
    one INTEGER PRIMARY KEY CHECK (one = 1),
    last INTEGER NOT NULL,
    digest BLOB NOT NULL
);
"""
"""``record``: everything in order, ``data`` as JSON; ``ref`` of an outcome is its intent.
``seal``: the number of the last record."""


def record_digest(seq: int, time: float, wall: str, kind: str, ref: int | None, data: str) -> bytes:
    """Return the digest of one record: 16 bytes over all its columns."""
    return _digest(json.dumps([seq, time, wall, kind, ref, data]).encode())


def picture_digest(place: str, png: bytes) -> str:
    """Return the digest of one picture and of where it lies, as 32 hexadecimal digits."""
    return _digest(json.dumps(place).encode() + png).hex()


def seal_digest(last: int) -> bytes:
    """Return the digest of the count of records."""
    return _digest(f"{last} records".encode())


def add_record(
    database: sqlite3.Connection, time: float, wall: str, kind: str, ref: int | None, data: str
) -> int:
    """Add a record and count it, inside the caller's transaction; return its number."""
    seq = int(database.execute("SELECT last FROM seal").fetchone()[0]) + 1
    digest = record_digest(seq, time, wall, kind, ref, data)
    database.execute(
        "INSERT INTO record VALUES (?, ?, ?, ?, ?, ?, ?)",
        (seq, time, wall, kind, ref, data, digest),
    )
    database.execute("UPDATE seal SET last=?, digest=?", (seq, seal_digest(seq)))
    return seq


def empty_journal(time: float, wall: str, run: str | None) -> bytes:
    """Return the bytes of a new journal whose first record is ``run`` (JSON), if there is one.

    The file says of itself that it is written ahead (bytes 18 and 19 of an SQLite file, "File
    format version numbers" in the description of SQLite's file format, from memory), so that
    whoever opens it need not change it first.
    """
    with closing(sqlite3.connect(":memory:", isolation_level=None)) as database:
        database.executescript(_SCHEMA)
        database.execute(f"PRAGMA application_id={APPLICATION}")
        database.execute(f"PRAGMA user_version={VERSION}")
        database.execute("INSERT INTO seal VALUES (1, 0, ?)", (seal_digest(0),))
        if run is not None:
            add_record(database, time, wall, "run", None, run)
        image = bytearray(database.serialize())
    image[18:20] = b"\2\2"
    return bytes(image)


def _digest(data: Any) -> bytes:
    return hashlib.blake2b(data, digest_size=16).digest()
