"""A small file that says how the watch is doing, for people and for other scripts."""

from __future__ import annotations

from dataclasses import dataclass
from pathlib import Path

from autoalign.messages.serialise import status_facts, write_facts

__all__ = ["WatchStatus", "write_status"]


@dataclass(frozen=True, slots=True)
class WatchStatus:
    """The state of the watch: what, why, since when, and what it has done so far.

    ``state`` is "run", "hold", "safe" or "stopped"; times are UTC; ``merit`` 1 = at the tolerances.
    """

    bench: str
    state: str
    reason: str
    updated: str
    in_spec: bool
    merit: float | None
    looks: int
    looks_in_spec: int
    realignments: int
    realignments_in_spec: int
    holds: int
    next_look_in_s: float


def write_status(path: Path, status: WatchStatus) -> None:
    """Replace the file at ``path`` in one step, so that a reader never sees half of it."""
    write_facts(path, status_facts(status))
