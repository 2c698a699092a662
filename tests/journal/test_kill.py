"""A process that is killed at any moment has recorded every move before it began."""

from __future__ import annotations

import os
import signal
import subprocess
import sys
from contextlib import suppress
from pathlib import Path

import pytest

from autoalign.core.clock import VirtualClock
from autoalign.journal import Journal, read_journal

_CHILD = """
import os, sys
from autoalign.core.clock import VirtualClock
from autoalign.journal import Journal
from autoalign.session.actions import Move

journal = Journal(sys.argv[1], VirtualClock(), {})
wire = os.open(sys.argv[2], os.O_WRONLY | os.O_CREAT | os.O_APPEND)
print("ready", flush=True)
for k in range(10**6):
    intent = journal.intent(Move(k, {"a.x": float(k)}, {"a.x": (float(k),)}, "probe"), {"a.x": 0.0})
    os.write(wire, f"{intent}\\n".encode())
    journal.outcome(intent, "done", {"a.x": float(k)})
    if k == int(sys.argv[3]):
        print("enough", flush=True)
"""


@pytest.mark.slow
@pytest.mark.skipif(os.name != "posix", reason="kill -9 is POSIX")
@pytest.mark.parametrize("after", [0, 7, 40])
def test_every_executed_move_has_a_durable_intent_after_kill_9(tmp_path: Path, after: int) -> None:
    """Whatever reached the wire is in the record; at most the last intent is open."""
    path, wire = tmp_path / "run.db", tmp_path / "wire"
    command = [sys.executable, "-c", _CHILD, str(path), str(wire), str(after)]
    with subprocess.Popen(command, stdout=subprocess.PIPE, text=True) as child:
        assert child.stdout is not None
        assert child.stdout.readline() == "ready\n"
        assert child.stdout.readline() == "enough\n"
        with suppress(ProcessLookupError):
            os.kill(child.pid, signal.SIGKILL)
    executed = [int(line) for line in wire.read_text().splitlines()]
    past = read_journal(path)
    intents = {m.intent for m in past.moves}
    assert len(executed) > after
    assert set(executed) <= intents
    assert len(past.open_moves) <= 1
    assert past.finish is None
    with Journal(path, VirtualClock(), resume=True) as journal:
        assert journal.open_intents == tuple(m.intent for m in past.open_moves)
