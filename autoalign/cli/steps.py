"""Progress of long work: one line kept up to date at a terminal, now and then one elsewhere."""

from __future__ import annotations

import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager

from autoalign.cli.output import warn
from autoalign.cli.streams import columns

__all__ = ["telling"]

_MINUTE = 60.0
_SPINNER = 3
"""Columns that the sign of life and its blanks take."""


@contextmanager
def telling(every: float = _MINUTE) -> Iterator[Callable[[str], None]]:
    """Give a function that says, on standard error, what has just been done or begun.

    At a terminal one line is overwritten in place, cut to the terminal's width, and gone at the
    end. Elsewhere, in a file or a pipe, at most one line is printed in ``every`` seconds, so that
    short work says nothing; 0 prints each.
    """
    if columns("stderr") is None:
        yield _now_and_then(every)
        return
    from rich.console import Console  # noqa: PLC0415 - only at a terminal
    from rich.markup import escape  # noqa: PLC0415

    with Console(stderr=True).status("") as status:
        yield lambda text: status.update(escape(_cut(text, (columns("stderr") or 80) - _SPINNER)))


def _now_and_then(every: float) -> Callable[[str], None]:
    last = time.monotonic()

    def tell(text: str) -> None:
        nonlocal last
        now = time.monotonic()
        if now - last >= every:
            last = now
            warn(text)

    return tell


def _cut(text: str, room: int) -> str:
    return text if len(text) <= room else f"{text[: max(room - 1, 1)]}…"
