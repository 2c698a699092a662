"""What is said before motors of a real bench start."""

from __future__ import annotations

from typing import TYPE_CHECKING

from autoalign.cli.output import warn

if TYPE_CHECKING:
    from autoalign.config import BenchFile

__all__ = ["caution"]

_TEXT = (
    "Caution: motors start now and the beam swings; keep hands and eyes away, block what is not "
    "needed.\nLocal rules, the laser safety officer and licensed practice decide what may be done. "
    "Software limits and\nCtrl-C are no safety function: use the hardware's own stop in an "
    "emergency."
)
_LATER = "\nMotors start again whenever the beam needs it, at night as well: mark the bench."


def caution(file: BenchFile, unattended: bool = False) -> None:
    """Print the caution to standard error, unless the bench is simulated."""
    if file.tables.simulation is None:
        warn(_TEXT + (_LATER if unattended else ""))
