"""Why a watch latched its bench, kept in its folder until a person has cleared it by number.

It latches the watches of this folder only: another folder, and an alignment, know nothing of it.
"""

from __future__ import annotations

import json
from contextlib import suppress
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from autoalign.core.cautions import BEFORE_APPROACH
from autoalign.core.errors import HeldError, JournalError, UsageError
from autoalign.core.files import atomic_write

__all__ = [
    "Incident",
    "all_incidents",
    "check_cleared",
    "cleared_incidents",
    "forget_room",
    "keep_incident",
    "keep_room",
    "set_aside",
]

_NAME = "incident.json"
_ROOM = "incident-room.json"


@dataclass(frozen=True, slots=True)
class Incident:
    """Why a bench was latched.

    ``number`` to be named by whoever clears it, ``why`` in words, ``since`` when (UTC), and what to
    mind ``before_approach`` to the bench.
    """

    number: str
    why: str
    since: str
    before_approach: str = BEFORE_APPROACH


def keep_room(folder: Path, now: datetime) -> None:
    """Write an incident without its reason beforehand, for the case that the disk fills up.

    Raises
    ------
    JournalError
        Where there is no room for it already.
    """
    words = (
        "the bench was latched by the watch that began at this time, and there was no room to "
        "write down why; see its journal."
    )
    try:
        _write(folder / _ROOM, _incident(words, now))
    except OSError as error:
        raise JournalError(
            f"{folder}: there is no room for an incident ({error}), so nothing was started. Make "
            "room or choose another folder."
        ) from error


def forget_room(folder: Path) -> None:
    """Remove what :func:`keep_room` wrote, if it was not needed."""
    with suppress(OSError):
        (folder / _ROOM).unlink()


def keep_incident(folder: Path, why: str, now: datetime) -> Incident:
    """Write down that the bench was latched; an incident that is already there stays.

    Where there is no room, what :func:`keep_room` wrote takes its place, which needs none.
    """
    path = folder / _NAME
    if path.exists():
        return _read(path)
    incident = _incident(why, now)
    try:
        _write(path, incident)
    except OSError:
        (folder / _ROOM).replace(path)
        return _read(path)
    return incident


def check_cleared(folder: Path, cleared: str) -> Incident | None:
    """Return the incident that ``cleared`` clears; None where there was none.

    Raises
    ------
    HeldError
        Where there is an incident that was not cleared by its own number.
    UsageError
        Where a number is given and there is no incident.
    """
    path = folder / _NAME
    if not path.exists():
        if cleared:
            raise UsageError(f"{folder}: there is no incident {cleared} to clear.")
        return None
    incident = _read(path)
    if cleared != incident.number:
        raise HeldError(
            f"{folder}: the bench was latched on {incident.since}, incident {incident.number}: "
            f"{incident.why} Nothing moves until a person has checked the bench and cleared this "
            f"incident by its number (--clear {incident.number}). {incident.before_approach}"
        )
    return incident


def set_aside(folder: Path, incident: Incident) -> None:
    """Move a cleared incident aside; its evidence is kept."""
    (folder / _NAME).replace(folder / f"incident-{incident.number}-cleared.json")


def cleared_incidents(folder: Path) -> dict[str, str]:
    """Return why the bench was latched, by the names of the files that were set aside."""
    return {p.name: _read(p).why for p in sorted(folder.glob("incident-*-cleared.json"))}


def all_incidents(folder: Path) -> list[tuple[Incident, bool]]:
    """Return every incident of the watches of ``folder``, oldest first, and if it was cleared.

    Raises
    ------
    UsageError
        Where there is no such folder.
    JournalError
        Where the record of one cannot be read.
    """
    if not folder.is_dir():
        raise UsageError(f"{folder}: there is no such folder.")
    found = [(_read(p), True) for p in sorted(folder.glob("incident-*-cleared.json"))]
    if (folder / _NAME).exists():
        found.append((_read(folder / _NAME), False))
    return sorted(found, key=lambda pair: pair[0].number)


def _incident(why: str, now: datetime) -> Incident:
    return Incident(f"{now:%Y%m%d-%H%M%S}", why, now.isoformat(timespec="seconds"))


def _write(path: Path, incident: Incident) -> None:
    atomic_write(path, json.dumps(asdict(incident), indent=2) + "\n")


def _read(path: Path) -> Incident:
    try:
        return Incident(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as error:
        raise JournalError(
            f"{path}: the record of an incident cannot be read ({error}). Check the bench, with "
            "the beam blocked or at alignment power, then move the file aside."
        ) from error
