"""Exit codes, and which error ends with which."""

from __future__ import annotations

from enum import IntEnum

from autoalign.core.errors import AlignError, HardwareError, HeldError, PluginError

__all__ = ["Exit", "exit_of"]


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
