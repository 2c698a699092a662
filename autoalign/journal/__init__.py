"""The durable record of a run: every intent before it is carried out, every outcome, every look.

One SQLite file a run, write-ahead log, synchronous FULL, one writer. Readers open it read-only.
"""

from __future__ import annotations

from autoalign.journal.describe import describe_bench
from autoalign.journal.reader import (
    JournalRun,
    LookRecord,
    MoveRecord,
    export_jsonl,
    read_journal,
)
from autoalign.journal.thumbnails import Thumbnail
from autoalign.journal.writer import Journal

__all__ = [
    "Journal",
    "JournalRun",
    "LookRecord",
    "MoveRecord",
    "Thumbnail",
    "describe_bench",
    "export_jsonl",
    "read_journal",
]
