"""What is true of a run that Ctrl-C cut off: whether it had begun, and what its record holds."""

from __future__ import annotations

from pathlib import Path

__all__ = ["interrupted_words"]


def interrupted_words(journal: Path) -> tuple[str, bool]:
    """Return in words how the run whose record is ``journal`` stands, and whether it can be read.

    The record is there before anything moves; where it holds nothing, nothing has moved.
    """
    from autoalign.core.errors import AlignError  # noqa: PLC0415 - heavy
    from autoalign.journal import read_journal  # noqa: PLC0415

    try:
        record = read_journal(journal)
    except AlignError:
        record = None
    if record is None or not record.run:
        return "Interrupted before the run had begun: nothing was moved, nothing recorded.", False
    stopped = "Interrupted: every axis was told to stop, and the record up to here is "
    if record.finish is not None:
        return f"{stopped}complete.", True
    if not record.moves:
        return "Interrupted before anything was moved; the record says no more than that.", True
    return f"{stopped}readable, but does not say how the run ended.", True
