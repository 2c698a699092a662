"""One line that tells how an alignment goes, while somebody is watching."""

from __future__ import annotations

import sys
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import TYPE_CHECKING

from autoalign.cli.output import warn
from autoalign.cli.steps import telling

if TYPE_CHECKING:
    from autoalign.run.execute import Event

__all__ = ["following", "in_words", "working"]


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
    from autoalign.core.digits import number  # noqa: PLC0415
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
