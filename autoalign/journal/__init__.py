"""The durable record of a run: every intent beforehand, every outcome, every measurement.

One SQLite file a run, made whole; write-ahead log, synchronous FULL, one writer, a digest on every
record. Readers take file and log into memory, give what is sound and name what is not.
"""

from __future__ import annotations

from autoalign.journal.describe import describe_bench
from autoalign.journal.reader import (
    Damage,
    DamageKind,
    JournalRun,
    MeasurementRecord,
    MoveRecord,
    export_jsonl,
    read_journal,
    read_to_resume,
)
from autoalign.journal.thumbnails import Thumbnail
from autoalign.journal.writer import Journal

__all__ = [
    "Damage",
    "DamageKind",
    "Journal",
    "JournalRun",
    "MeasurementRecord",
    "MoveRecord",
    "Thumbnail",
    "describe_bench",
    "export_jsonl",
    "read_journal",
    "read_to_resume",
]
