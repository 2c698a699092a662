"""Ctrl-C before and during a run: nothing is said of the record that is not so."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli.exits import Exit, interrupted_words
from autoalign.core.clock import VirtualClock
from autoalign.journal import Journal
from autoalign.session import Finish, Move, Status


def test_a_record_that_is_not_there_or_holds_nothing_is_not_called_complete(
    tmp_path: Path,
) -> None:
    """No file, half a file, and a file without a run: nothing had moved yet."""
    (tmp_path / "half.db").write_bytes(b"SQLite format 3\0" + bytes(4080))
    Journal(tmp_path / "bare.db", VirtualClock()).close()
    for name in ("absent.db", "half.db", "bare.db"):
        words, readable = interrupted_words(tmp_path / name)
        assert not readable
        assert "nothing was moved, nothing recorded" in words


def test_a_record_is_called_complete_only_once_it_says_how_the_run_ended(tmp_path: Path) -> None:
    """Begun, moved, ended: three different truths."""
    path = tmp_path / "run.db"
    with Journal(path, VirtualClock(), {"bench": "b"}) as journal:
        assert interrupted_words(path)[0].startswith("Interrupted before anything was moved")
        journal.intent(Move(1, {"a": 1.0}, {"a": (1.0,)}, "measurement"), {"a": 0.0})
        assert "does not contain the end of the run" in interrupted_words(path)[0]
        journal.finish(Finish(Status.STOPPED, False, "KeyboardInterrupt"))
    words, readable = interrupted_words(path)
    assert readable
    assert words.endswith("commanded to stop, and the journal up to here is complete.")


@pytest.mark.parametrize(
    ("command", "made"),
    [("align", "autoalign.run.align.Journal"), ("check", "autoalign.check.run.Journal")],
)
def test_ctrl_c_before_the_record_is_made_promises_no_record(
    command: str,
    made: str,
    demo_bench: Callable[..., Path],
    tmp_path: Path,
    run: Callable[..., Any],
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """The words say that nothing was moved, and name no file that cannot be read."""

    def interrupted(*_: object, **__: object) -> None:
        raise KeyboardInterrupt

    monkeypatch.setattr(made, interrupted)
    said = run(command, demo_bench(), "--output", tmp_path / "run")
    assert said.code == Exit.INTERRUPTED
    assert "Interrupted before the run began: nothing was moved" in said.err
    assert "complete" not in said.err
    assert "run.db" not in said.err
