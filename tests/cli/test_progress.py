"""Long work says where it is, also when it is piped."""

from __future__ import annotations

from types import SimpleNamespace

import pytest

from autoalign.cli import progress as steps
from autoalign.cli.progress import following


def test_a_piped_run_says_where_it_is_once_a_minute(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Five minutes of a check without a terminal: five lines, not none and not three hundred."""
    now = SimpleNamespace(time=0.0)
    monkeypatch.setattr(steps, "time", SimpleNamespace(monotonic=lambda: now.time))
    event = SimpleNamespace(measurement=None, measurements=3, moves=2, elapsed=10.0)
    with following("Checking a bench") as progress:
        for second in range(300):
            now.time = float(second + 1)
            progress(event)  # type: ignore[arg-type]
    lines = capsys.readouterr().err.splitlines()
    assert len(lines) == 5
    assert lines[0] == "Checking a bench · measurement 3 · move 2 · 10 s"
