"""Journals on a disk that is really full: a small file system in memory, where one may be made."""

from __future__ import annotations

import subprocess
import sys
from collections.abc import Callable, Iterator
from contextlib import suppress
from pathlib import Path

import pytest

from autoalign.core.clock import VirtualClock
from autoalign.core.errors import JournalError
from autoalign.journal import Journal, read_journal
from autoalign.session import Move

pytestmark = [
    pytest.mark.slow,
    pytest.mark.skipif(sys.platform != "linux", reason="file systems in memory of Linux"),
]

Small = Callable[[int], Path]


@pytest.fixture
def small(tmp_path: Path) -> Iterator[Small]:
    """Return a function that makes a file system of so many kB."""
    place, made = tmp_path / "small", []
    place.mkdir()

    def make(size: int) -> Path:
        command = ["mount", "-t", "tmpfs", "-o", f"size={size}k", "tmpfs", str(place)]
        if subprocess.run(command, capture_output=True, check=False).returncode:
            pytest.skip("this account may not make file systems")
        made.append(place)
        return place

    yield make
    for each in made:
        subprocess.run(["umount", str(each)], check=True)


@pytest.mark.parametrize("size", [80, 92, 104, 116, 140, 200])
@pytest.mark.parametrize("closed", [True, False])
def test_a_journal_on_a_full_disk_can_be_read_where_it_is(
    small: Small, size: int, closed: bool
) -> None:
    """6 of 22 could once not be read: no room is needed to read, and nothing acknowledged is lost.

    Also of a writer that never closed it.
    """
    path = small(size) / "run.db"
    acknowledged = 0
    try:
        journal = Journal(path, VirtualClock(), {"bench": "b"})
    except OSError:
        assert not path.exists(), "a journal is there whole or not at all"
        return
    with suppress(JournalError):
        for number in range(1, 5000):
            move = Move(number, {"x": 0.1}, {"x": (0.1,)}, "one of many")
            intent = journal.intent(move, {"x": 0.0})
            acknowledged = number
            journal.outcome(intent, "done", {"x": 0.1})
    assert acknowledged < 4999, "the disk was never full"
    if closed:
        journal.close()
    record = read_journal(path)
    assert len(record.moves) >= acknowledged > 0
    assert record.run["bench"] == "b"
    assert record.whole
    journal.close()
