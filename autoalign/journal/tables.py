"""The tables of a journal and their version."""

from __future__ import annotations

import sqlite3
from pathlib import Path

from autoalign.core.errors import JournalError

__all__ = ["SCHEMA", "VERSION", "check_version"]

VERSION = 1

SCHEMA = """
CREATE TABLE record (
    seq INTEGER PRIMARY KEY AUTOINCREMENT,
    time REAL NOT NULL,
    wall TEXT NOT NULL,
    kind TEXT NOT NULL,
    ref INTEGER REFERENCES record(seq),
    data TEXT NOT NULL
);
CREATE TABLE thumbnail (
    look INTEGER NOT NULL REFERENCES record(seq),
    plane TEXT NOT NULL,
    place TEXT NOT NULL,
    png BLOB NOT NULL
);
CREATE INDEX record_ref ON record(ref) WHERE ref IS NOT NULL;
CREATE INDEX thumbnail_look ON thumbnail(look);
"""
"""``record``: everything in order, ``data`` as JSON; ``ref`` of an outcome is its intent."""


def check_version(database: sqlite3.Connection, path: Path) -> None:
    """Raise :class:`JournalError` for a file that this version cannot read."""
    found = database.execute("PRAGMA user_version").fetchone()[0]
    if found != VERSION:
        what = "is no journal" if found == 0 else f"has format {found}"
        raise JournalError(f"journal {path}: it {what}; this version reads format {VERSION}.")
