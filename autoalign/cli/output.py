"""What goes to the screen: facts to standard output, everything else to standard error."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from autoalign.cli.streams import write
from autoalign.messages.serialise import facts_text

__all__ = [
    "note",
    "print_facts",
    "print_pairs",
    "print_table",
    "print_text",
    "warn",
]

WIDTH = 96


def print_facts(facts: Mapping[str, Any] | Sequence[Any]) -> None:
    """Print facts as JSON; numbers that are not finite become null."""
    print_text(facts_text(facts), wrap=False)


def print_text(
    text: str = "", wrap: bool = True, indent: str = "", hanging: str | None = None
) -> None:
    """Print a paragraph; ``hanging`` begins its lines after the first, where not as the first."""
    if wrap and text:
        rest = indent if hanging is None else hanging
        text = textwrap.fill(text, WIDTH, initial_indent=indent, subsequent_indent=rest)
    write("stdout", text)


def print_table(header: Sequence[str], rows: Sequence[Sequence[str]], indent: str = "  ") -> None:
    """Print columns, left-aligned, two blanks apart; nothing is ever cut off."""
    table = [list(header), *(list(row) for row in rows)]
    widths = [max(len(row[k]) for row in table) for k in range(len(header))]
    for row in table:
        cells = [cell.ljust(width) for cell, width in zip(row, widths, strict=True)]
        print_text(indent + "  ".join(cells).rstrip(), wrap=False)


def print_pairs(pairs: Sequence[tuple[str, str]], indent: str = "  ") -> None:
    """Print names and what belongs to them, in two columns."""
    width = max((len(name) for name, _ in pairs), default=0)
    hanging = indent + " " * (width + 2)
    for name, value in pairs:
        body = textwrap.fill(value, max(WIDTH - len(hanging), 40)).splitlines() or [""]
        print_text(f"{indent}{name.ljust(width)}  {body[0]}".rstrip(), wrap=False)
        for line in body[1:]:
            print_text(hanging + line, wrap=False)


def warn(text: str) -> None:
    """Print a message for a person to standard error."""
    write("stderr", text.rstrip())


def note(text: str) -> None:
    """Print what goes on to standard error, where a person is watching."""
    if sys.stderr.isatty():
        warn(text)
