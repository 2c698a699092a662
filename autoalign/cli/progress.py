"""One line that tells how an alignment goes, while somebody is watching."""

from __future__ import annotations

import sys
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from autoalign.cli.output import columns, warn

if TYPE_CHECKING:
    from autoalign.run.execute import Event


__all__ = ["following", "in_words", "telling", "working"]

# Progress of long work: one line kept up to date at a terminal, now and then one elsewhere.

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


@contextmanager
def working(text: str) -> Iterator[None]:
    """Show ``text`` with something that turns, on standard error; nothing where it is no screen."""
    if not sys.stderr.isatty():
        yield
        return
    from rich.console import Console  # noqa: PLC0415 - only where somebody watches

    with Console(stderr=True).status(text):
        yield


@contextmanager
def following(text: str, in_place: bool = True) -> Iterator[Callable[[Event], None]]:
    """Give a progress callback that says how it goes, on standard error.

    At a terminal it keeps one line up to date; in a file or a pipe it prints a line a minute. Where
    a person is asked questions meanwhile, ``in_place`` is False and every event has a line.
    """
    if not in_place and sys.stderr.isatty():
        yield lambda event: warn(in_words(event))
        return
    with telling() as tell:
        yield lambda event: tell(f"{text} · {in_words(event)}")


def in_words(event: Event) -> str:
    """Return what has just been done, and how it is going, in words."""
    from autoalign.core.units import number  # noqa: PLC0415
    from autoalign.messages.words import span_of_time  # noqa: PLC0415

    seen = event.measurement
    parts = [
        f"measurement {event.measurements}",
        f"move {event.moves}",
        span_of_time(event.elapsed),
    ]
    if seen is not None and seen.verdict is not None:
        bad = [t.name for t in seen.verdict.terms if not t.in_spec]
        state = f"not yet in spec: {', '.join(bad)}" if bad else "in spec"
        parts.append(f"merit {number(seen.merit)} ({state})")
    elif seen is not None:
        parts.append(seen.failure)
    return " · ".join(parts)
