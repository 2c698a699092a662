"""What goes to the screen: facts to standard output, everything else to standard error."""

from __future__ import annotations

import sys
import textwrap
from collections.abc import Mapping, Sequence
from typing import Any

from autoalign.cli.streams import Name, columns, write
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
"""Columns of running text, where the terminal has them or nobody knows how wide it is."""

_GAP = 2
"""Blanks between the columns of a table."""


def print_facts(facts: Mapping[str, Any] | Sequence[Any]) -> None:
    """Print facts as JSON; numbers that are not finite become null."""
    print_text(facts_text(facts), wrap=False)


def print_text(
    text: str = "", wrap: bool = True, indent: str = "", hanging: str | None = None
) -> None:
    """Print a paragraph; ``hanging`` begins its lines after the first, where not as the first."""
    if wrap and text:
        text = _filled("stdout", text, indent, indent if hanging is None else hanging)
    write("stdout", text)


def print_table(header: Sequence[str], rows: Sequence[Sequence[str]], indent: str = "  ") -> None:
    """Print columns, left-aligned, two blanks apart; nothing is ever cut off.

    Where the terminal is too narrow, the widest columns are wrapped between words; where that does
    not do, every row becomes a block of its own, with a line for each column. Without a terminal
    there is a line for each row.
    """
    table = [list(header), *(list(row) for row in rows)]
    widths = _fitted(table, columns("stdout"), len(indent))
    if widths is None:
        _print_blocks(header, rows, indent)
        return
    for row in table:
        cells = [_wrapped(cell, width) for cell, width in zip(row, widths, strict=True)]
        for line in range(max(map(len, cells))):
            parts = [
                (cell[line] if line < len(cell) else "").ljust(width)
                for cell, width in zip(cells, widths, strict=True)
            ]
            print_text(indent + (" " * _GAP).join(parts).rstrip(), wrap=False)


def _fitted(table: Sequence[Sequence[str]], room: int | None, indent: int) -> list[int] | None:
    """Return how wide each column is to be; None where even the longest words do not fit."""
    widths = [max(map(len, column)) for column in zip(*table, strict=True)]
    if room is None:
        return widths
    least = [
        max((len(word) for cell in column for word in cell.split()), default=0)
        for column in zip(*table, strict=True)
    ]
    spare = room - indent - _GAP * (len(widths) - 1)
    if sum(least) > spare:
        return None
    while sum(widths) > spare:
        widest = max(range(len(widths)), key=lambda k: (widths[k] > least[k], widths[k]))
        widths[widest] -= 1
    return widths


def _print_blocks(header: Sequence[str], rows: Sequence[Sequence[str]], indent: str) -> None:
    for row in rows:
        print_text(row[0], indent=indent, hanging=indent + "  ")
        print_pairs(list(zip(header[1:], row[1:], strict=True)), indent=indent + "  ")


def print_pairs(pairs: Sequence[tuple[str, str]], indent: str = "  ") -> None:
    """Print names and what belongs to them, in two columns, or below each other on a phone."""
    width = max((len(name) for name, _ in pairs), default=0)
    hanging = indent + " " * (width + _GAP)
    room = min(columns("stdout") or WIDTH, WIDTH) - len(hanging)
    for name, value in pairs:
        if room < _LEAST:
            print_text(f"{name}: {value}" if name else value, indent=indent, hanging=indent + "  ")
            continue
        body = _wrapped(value, room)
        print_text(f"{indent}{name.ljust(width)}  {body[0]}".rstrip(), wrap=False)
        for line in body[1:]:
            print_text(hanging + line, wrap=False)


_LEAST = 24
"""Columns that a value needs beside its name."""


def _wrapped(text: str, width: int) -> list[str]:
    return textwrap.wrap(text, width, break_long_words=False, break_on_hyphens=False) or [""]


def _filled(name: Name, text: str, indent: str = "", hanging: str = "") -> str:
    return textwrap.fill(
        text,
        min(columns(name) or WIDTH, WIDTH),
        initial_indent=indent,
        subsequent_indent=hanging,
        break_long_words=False,
        break_on_hyphens=False,
    )


def warn(text: str) -> None:
    """Print a message for a person to standard error; at a terminal its lines fit it."""
    lines = text.rstrip().splitlines()
    if columns("stderr") is not None:
        lines = [_filled("stderr", line) for line in lines]
    write("stderr", "\n".join(lines))


def note(text: str) -> None:
    """Print what goes on to standard error, where a person is watching."""
    if sys.stderr.isatty():
        warn(text)
