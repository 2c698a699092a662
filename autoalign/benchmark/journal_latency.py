"""How long it takes until a record is durable on disk, against a plain write and fsync there."""

from __future__ import annotations

import os
import tempfile
import time
from pathlib import Path

from autoalign.benchmark.timing import Section, figure, ratio, take_turns
from autoalign.core.clock import RealClock
from autoalign.journal import Journal
from autoalign.session.actions import Move

__all__ = ["measure_journal"]

_BYTES = 4096
"""Size of the plain write: one page, what the smallest durable append touches."""


def measure_journal(folder: Path, rounds: int = 60) -> Section:
    """Measure wall-clock time of durable intents, and of a raw write with fsync, in ``folder``."""
    block = b"\0" * _BYTES
    target = {"source.x": 0.1}
    with tempfile.TemporaryDirectory(dir=folder, prefix=".autoalign-benchmark-") as name:
        path = Path(name)
        raw = os.open(path / "raw", os.O_CREAT | os.O_WRONLY | os.O_APPEND, 0o600)
        try:
            with Journal(path / "run.db", RealClock(), {"bench": "benchmark"}) as journal:

                def plain() -> None:
                    os.write(raw, block)
                    os.fsync(raw)

                def intent() -> None:
                    journal.intent(Move(1, target, {"source.x": (0.1,)}, "benchmark"), target)

                spent = take_turns(
                    {"intent": intent, "raw": plain}, rounds, clock=time.perf_counter
                )
        finally:
            os.close(raw)
    found = (
        figure("intent in the journal", 1e3 * spent["intent"], "ms"),
        figure("raw write and fsync of 4 KiB", 1e3 * spent["raw"], "ms"),
        ratio("time of an intent over that of a raw write", spent["intent"], spent["raw"]),
    )
    return Section("A record until it is durable on disk", found, (_HOW.format(folder),))


_HOW = "Wall-clock time in {}, under whatever else the machine and its disk were doing."
