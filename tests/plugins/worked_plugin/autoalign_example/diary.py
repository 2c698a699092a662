"""An observer: a module whose marked functions are told what happens."""

from __future__ import annotations

from typing import Any

from autoalign.run.hooks import hookimpl

entries: list[str] = []


@hookimpl
def autoalign_start_run(strategy: str) -> None:
    """Note the start."""
    entries.append(f"started with {strategy}")


@hookimpl
def autoalign_make_measurement(measurement: Any) -> None:
    """Note a look."""
    entries.append(f"look merit {measurement.merit:.3g}")


@hookimpl
def autoalign_make_move(targets: dict[str, float]) -> None:
    """Note a move."""
    entries.append(f"move {targets}")


@hookimpl
def autoalign_end_run(result: Any) -> None:
    """Note the end."""
    entries.append(f"ended: {result}")
