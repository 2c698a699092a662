"""A small file that says how the watch is doing, for people and for other scripts."""

from __future__ import annotations

from dataclasses import dataclass
from enum import StrEnum
from pathlib import Path

from autoalign.messages.serialise import status_facts, write_facts

__all__ = ["WatchState", "WatchStatus", "write_status"]


class WatchState(StrEnum):
    """What a watch is doing.

    Paused: nothing moves, measuring goes on, and it ends by itself once the cause is gone. Latched:
    nothing moves until a person clears the incident; the light is not switched. Ended: nobody
    watches any more.
    """

    WATCHING = "watching"
    PAUSED = "paused"
    LATCHED = "latched"
    ENDED = "ended"


@dataclass(frozen=True, slots=True)
class WatchStatus:
    """The state of the watch: what, why, since when, and what it has done so far.

    ``state`` is that of :class:`WatchState`; times are UTC; ``merit`` 1 = at the tolerances.
    """

    bench: str
    state: str
    reason: str
    updated: str
    in_spec: bool
    merit: float | None
    measurements: int
    looks_in_spec: int
    realignments: int
    realignments_in_spec: int
    holds: int
    next_look_in_s: float


def write_status(path: Path, status: WatchStatus) -> None:
    """Replace the file at ``path`` in one step, so that a reader never sees half of it."""
    write_facts(path, status_facts(status))
