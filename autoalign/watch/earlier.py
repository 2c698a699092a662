"""What earlier watches left in a folder: where the axes stood, and what gives cause for doubt."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from pathlib import Path

import numpy as np

from autoalign.core.errors import JournalError
from autoalign.core.files import write_whole
from autoalign.journal import read_journal
from autoalign.journal.codec import plain
from autoalign.strategies.base import Observation
from autoalign.watch.incident import cleared_incidents
from autoalign.watch.policy import Sighting

__all__ = ["Left", "doubts", "read_left", "write_left"]

_NAME = "left.json"


@dataclass(slots=True)
class Left:
    """How a watch leaves its bench, for the next one.

    ``positions`` (mm or rad by axis) where the axes were last seen to stand; ``settled`` names the
    records of realignments that were cut off, and of cleared incidents, after which the bench was
    seen to be steady.
    """

    positions: dict[str, float] = field(default_factory=dict)
    settled: list[str] = field(default_factory=list)

    def sighting(self, time: float) -> Sighting | None:
        """Return it as a sighting of the axes alone, to hold the next look against."""
        nothing = Observation(np.array([]), {}, failure="an earlier watch")
        return Sighting(time, nothing, self.positions) if self.positions else None


def read_left(folder: Path) -> Left:
    """Return what the last watch in ``folder`` left; nothing where there was none.

    Raises
    ------
    JournalError
        Where the file is damaged.
    """
    path = folder / _NAME
    if not path.exists():
        return Left()
    try:
        data = json.loads(path.read_text(encoding="utf-8"))
        positions = {str(n): float(p) for n, p in data["positions"].items()}
        return Left(positions, [str(name) for name in data["settled"]])
    except (OSError, ValueError, TypeError, KeyError, AttributeError) as error:
        raise JournalError(
            f"{path}: where the axes were left cannot be read ({error}). Look at the bench, then "
            "move the file aside."
        ) from error


def write_left(folder: Path, left: Left) -> None:
    """Keep ``left`` for the next watch, in one step."""
    write_whole(folder / _NAME, json.dumps(plain(asdict(left)), indent=2) + "\n")


def doubts(folder: Path, settled: Iterable[str]) -> dict[str, str]:
    """Return in words why the bench must be seen steady first, by the records that say so.

    These are cleared incidents and realignments that were cut off; those named in ``settled`` are
    left out.

    Raises
    ------
    JournalError
        Where the record of a cleared incident is damaged.
    """
    known = set(settled)
    found = {
        name: f"incident {name.removeprefix('incident-').removesuffix('-cleared.json')} was "
        f"cleared ({why})"
        for name, why in cleared_incidents(folder).items()
        if name not in known
    }
    for path in sorted(folder.glob("realign-*.db")):
        if path.name not in known and (words := _finding(path)):
            found[path.name] = words
    return found


def _finding(path: Path) -> str:
    try:
        record = read_journal(path)
    except JournalError as error:
        return f"an earlier realignment left no readable record: {error}"
    if record.open_moves:
        return f"an earlier realignment ({path.name}) broke off during a move"
    if record.finish is None:
        return f"an earlier realignment ({path.name}) was cut off before it had ended"
    return ""
