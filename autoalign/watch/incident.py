"""Why a watch made its bench safe, kept in its folder until a person has cleared it by number."""

from __future__ import annotations

import json
from dataclasses import asdict, dataclass
from datetime import datetime
from pathlib import Path

from autoalign.errors import HeldError, JournalError, UsageError
from autoalign.files import write_whole

__all__ = ["Incident", "check_cleared", "keep_incident"]

_NAME = "incident.json"


@dataclass(frozen=True, slots=True)
class Incident:
    """``number`` to be named by whoever clears it, ``why`` in words, ``since`` when (UTC)."""

    number: str
    why: str
    since: str


def keep_incident(folder: Path, why: str, now: datetime) -> Incident:
    """Write down that the bench was made safe; an incident that is already there stays."""
    path = folder / _NAME
    if path.exists():
        return _read(path)
    incident = Incident(f"{now:%Y%m%d-%H%M%S}", why, now.isoformat(timespec="seconds"))
    write_whole(path, json.dumps(asdict(incident), indent=2) + "\n")
    return incident


def check_cleared(folder: Path, cleared: str) -> Incident | None:
    """Return the incident that ``cleared`` clears, moved aside; None where there was none.

    Raises
    ------
    HeldError
        Where an incident stands that was not cleared by its own number.
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
            f"{folder}: the bench was made safe on {incident.since}, incident {incident.number}: "
            f"{incident.why} Nothing moves until a person has looked at the bench and cleared "
            f"this incident by its number (--clear {incident.number})."
        )
    path.replace(folder / f"incident-{incident.number}-cleared.json")
    return incident


def _read(path: Path) -> Incident:
    try:
        return Incident(**json.loads(path.read_text(encoding="utf-8")))
    except (OSError, ValueError, TypeError) as error:
        raise JournalError(
            f"{path}: the record of an incident cannot be read ({error}). Look at the bench, then "
            "move the file aside."
        ) from error
