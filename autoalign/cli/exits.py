"""Exit codes, and which error ends with which."""

from __future__ import annotations

from enum import IntEnum
from pathlib import Path

from autoalign.core.errors import AlignError, HardwareError, HeldError, PluginError

__all__ = ["Exit", "exit_of", "interrupted_words"]

# How a run that Ctrl-C interrupted ended: if it had begun, and what its journal holds.


def interrupted_words(journal: Path) -> tuple[str, bool]:
    """Return in words how the run of ``journal`` ended, and if the journal can be read.

    The journal is there before anything moves; if it holds nothing, nothing has moved.
    """
    from autoalign.core.errors import AlignError  # noqa: PLC0415 - heavy
    from autoalign.journal import read_journal  # noqa: PLC0415

    try:
        record = read_journal(journal)
    except AlignError:
        record = None
    if record is None or not record.run:
        return "Interrupted before the run began: nothing was moved, nothing recorded.", False
    stopped = "Interrupted: every axis was commanded to stop, and the journal up to here is "
    if record.finish is not None:
        return f"{stopped}complete.", True
    if not record.moves:
        return "Interrupted before anything was moved; the journal contains no move.", True
    return f"{stopped}readable, but does not contain the end of the run.", True


class Exit(IntEnum):
    """Exit codes of every command."""

    IN_SPEC = 0
    NOT_IN_SPEC = 1
    USAGE = 2
    FAULT = 3
    HELD = 4
    DEFECT = 5
    INTERRUPTED = 130


def exit_of(error: AlignError) -> Exit:
    """Return the exit code of a run that ended with ``error``."""
    if isinstance(error, HeldError):
        return Exit.HELD
    if isinstance(error, HardwareError | PluginError):
        return Exit.FAULT
    return Exit.USAGE
