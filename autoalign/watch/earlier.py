"""What earlier watches left in a folder: where the axes were, and what gives cause for doubt."""

from __future__ import annotations

import json
from collections.abc import Iterable
from dataclasses import asdict, dataclass, field
from datetime import UTC, datetime, timedelta
from pathlib import Path

import numpy as np

from autoalign.core.errors import JournalError
from autoalign.core.files import atomic_write
from autoalign.journal import read_journal
from autoalign.journal.codec import plain
from autoalign.strategies.base import Cause, Measurement
from autoalign.watch.incident import cleared_incidents
from autoalign.watch.policy import WatchMeasurement

__all__ = ["Left", "Tidy", "doubts", "read_left", "set_damaged_aside", "tidy", "write_left"]

_NAME = "left.json"
_ASIDE = "damaged-"


@dataclass(slots=True)
class Left:
    """How a watch leaves its bench, for the next one.

    ``positions`` (mm or rad by axis) where the axes were last seen; ``settled`` names the
    records of realignments that were cut off, and of cleared incidents, after which the bench was
    seen to be steady.
    """

    positions: dict[str, float] = field(default_factory=dict)
    settled: list[str] = field(default_factory=list)

    def sighting(self, time: float) -> WatchMeasurement | None:
        """Return it as a measurement of the axes alone, to compare the next measurement with."""
        nothing = Measurement(
            np.array([]), {}, findings=(Cause.DETECTOR.found("", "an earlier watch"),)
        )
        return WatchMeasurement(time, nothing, self.positions) if self.positions else None


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
            f"{path}: where the axes were left cannot be read ({error}). Check the bench, with the "
            "beam blocked or at alignment power, then move the file aside."
        ) from error


def write_left(folder: Path, left: Left) -> None:
    """Keep ``left`` for the next watch, in one step."""
    atomic_write(folder / _NAME, json.dumps(plain(asdict(left)), indent=2) + "\n")


def doubts(folder: Path, settled: Iterable[str]) -> dict[str, str]:
    """Return in words why the bench must be seen steady first, by the records that say so.

    These are cleared incidents, realignments that were cut off, and damaged records of
    realignments, which are set aside first (:func:`set_damaged_aside`); those named in ``settled``
    are left out.

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
    }
    for path in sorted(folder.glob("realign-*.db")):
        if words := _finding(path):
            found[path.name] = words
    for path in sorted(folder.glob(f"{_ASIDE}*.db")):
        found[path.name] = _reason(path)
    return {name: why for name, why in found.items() if name not in known}


def set_damaged_aside(folder: Path) -> list[str]:
    """Give every damaged record of a realignment another name; return what was done, in words.

    ``realign-0001.db`` becomes ``damaged-realign-0001.db``, and ``damaged-realign-0001.txt`` says
    why. What is sound in it can still be read. A record that cannot be renamed is left, and said.
    """
    return [
        _renamed(path, why)
        for path in sorted(folder.glob("realign-*.db"))
        if (why := _damage(path))
    ]


@dataclass(frozen=True, slots=True)
class Tidy:
    """How long records are kept: ``days``, and at most ``megabytes`` of them together.

    Records of the ``around`` hours before and after an incident are kept for good.
    """

    days: float = 400.0
    megabytes: float = 2000.0
    around: float = 24.0


def tidy(folder: Path, keep: Tidy, now: datetime, open_file: Path) -> list[str]:
    """Remove records that are too old, or the oldest where they are too many; return their names.

    Incidents stay, and so do records from around them, damaged ones, and what is still open
    (``open_file``, logs beside their files). A file's age is that of its last change.
    """
    incidents = [_written(p) for p in folder.glob("incident*.json")]
    around = timedelta(hours=keep.around)
    records = sorted(
        (p for stem in ("watch", "realign") for p in folder.glob(f"{stem}*.db")), key=_written
    )
    sizes = {p: p.stat().st_size for p in records}
    total, gone = sum(sizes.values()), []
    for path in records:
        when = _written(path)
        kept = path == open_file or path.with_name(f"{path.name}-wal").exists()
        kept = kept or any(abs(when - incident) <= around for incident in incidents)
        old = now - when > timedelta(days=keep.days)
        if kept or not (old or total > 1e6 * keep.megabytes):
            continue
        path.unlink(missing_ok=True)
        total -= sizes[path]
        gone.append(path.name)
    return gone


def _written(path: Path) -> datetime:
    return datetime.fromtimestamp(path.stat().st_mtime, UTC)


def _damage(path: Path) -> str:
    """Return in words what is damaged in the record at ``path``; "" where nothing is."""
    try:
        run = read_journal(path)
    except JournalError as error:
        return str(error)
    return "" if run.whole else " ".join(map(str, run.damage))


def _renamed(path: Path, why: str) -> str:
    words = f"the record of an earlier realignment, {path.name}, is damaged"
    place, k = path.with_name(f"{_ASIDE}{path.name}"), 1
    while place.exists():
        k += 1
        place = path.with_name(f"{_ASIDE}{path.stem}-{k}.db")
    log = path.with_name(f"{path.name}-wal")
    try:
        atomic_write(place.with_suffix(".txt"), f"{words}: {why}\n")
        path.replace(place)
        if log.exists():
            log.replace(place.with_name(f"{place.name}-wal"))
    except OSError as error:
        return f"{words} and could not be set aside ({error}): {why}"
    return f"{words} and was set aside as {place.name}: {why}"


def _reason(path: Path) -> str:
    """Return why a record was set aside, as it was written beside it."""
    try:
        return path.with_suffix(".txt").read_text(encoding="utf-8").strip()
    except (OSError, ValueError):
        return f"the record of an earlier realignment, {path.name}, is damaged"


def _finding(path: Path) -> str:
    """Return in words what the record of a realignment gives cause to doubt; "" where nothing."""
    if _damage(path):
        return f"the record of an earlier realignment, {path.name}, is damaged"
    record = read_journal(path)
    if record.open_moves:
        return f"an earlier realignment ({path.name}) broke off during a move"
    if record.finish is None:
        return f"an earlier realignment ({path.name}) was cut off before it had ended"
    return ""
