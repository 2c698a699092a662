"""What goes to the screen: facts to standard output, everything else to standard error."""

from __future__ import annotations

import errno
import os
import sys
import textwrap
from collections.abc import Callable, Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING, Any, Literal

from autoalign.core.units import edge, edge_unit, fixed
from autoalign.messages.serialise import facts_text
from autoalign.messages.words import quantity, stated, term_label, unit_label

if TYPE_CHECKING:
    from autoalign.beam.standards.own_beam import OwnFigure
    from autoalign.core.axes import Axis
    from autoalign.spec.terms import TermValue, Verdict


__all__ = [
    "AXIS_HEADER",
    "TERM_HEADER",
    "Name",
    "axis_rows",
    "calibration_file",
    "columns",
    "flush",
    "note",
    "own_facts",
    "page_file",
    "picture_file",
    "print_facts",
    "print_pairs",
    "print_table",
    "print_text",
    "term_rows",
    "warn",
    "write",
]

# Where files may be written: a file of another kind is never overwritten.
#
# Every output path is checked here, before anything is opened or calculated: its name must have the
# right ending, and a file that is already there must be one that this program wrote. Devices and
# pipes are accepted.

_HEAD = 8192
"""Bytes at the start of a file that identify it."""

_RECORD = b"SQLite format 3\0"
_PNG = b"\x89PNG\r\n\x1a\n"


def page_file(option: str, path: Path) -> Path:
    """Return ``path`` where an HTML page may be written; ``option`` asked for it.

    Raises
    ------
    UsageError
        For another ending, or a file that is no page of this program.
    """
    return _judged(option, path, "an HTML page", (".html", ".htm"), _is_page)


def picture_file(option: str, path: Path) -> Path:
    """Return ``path`` where a PNG picture may be written; ``option`` asked for it.

    Raises
    ------
    UsageError
        For another ending, or a file that is no picture of this program.
    """
    return _judged(option, path, "a PNG picture", (".png",), _is_picture)


def calibration_file(option: str, path: Path | None) -> Path | None:
    """Return ``path`` if a calibration, and the previous one beside it, may be kept there.

    A damaged calibration is accepted here: it is set aside later, and not lost.

    Raises
    ------
    UsageError
        For another ending, or a file there that is no calibration of a bench.
    """
    if path is None:
        return None
    _judged(option, path, "a calibration", (".json",), _was_calibration)
    before = path.with_name(f"{path.stem}.previous{path.suffix}")
    _judged(option, before, "a calibration", (".json",), _is_calibration)
    return path


def _judged(
    option: str, path: Path, what: str, endings: tuple[str, ...], ours: Callable[[bytes], bool]
) -> Path:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    if path.exists() and not path.is_file():
        return path
    example = path.with_suffix(endings[0]).name
    if path.suffix.lower() not in endings:
        raise UsageError(
            f"{option} {path}: {what} needs a name that ends in {' or '.join(endings)}, for "
            f"example {example}. Nothing was written."
        )
    if not path.exists():
        return path
    with path.open("rb") as file:
        head = file.read(_HEAD)
    if head and not ours(head):
        found = (
            "the journal of a run" if head.startswith(_RECORD) else f"not {what} of this program"
        )
        raise UsageError(
            f"{option} {path}: the existing file is {found}, and was not overwritten. Choose "
            "another name, or move that file. Nothing was written."
        )
    return path


def _is_page(head: bytes) -> bool:
    return head.startswith(b"<!DOCTYPE html>") and b'name="generator" content="autoalign"' in head


def _is_picture(head: bytes) -> bool:
    return head.startswith(_PNG) and b"Software\0autoalign" in head


def _was_calibration(head: bytes) -> bool:
    return _is_calibration(head) or not head.lstrip().startswith((b"{", b"["))


def _is_calibration(head: bytes) -> bool:
    return b'"autoalign bench calibration"' in head


# What a run and a verdict say, as rows for a table.

TERM_HEADER = ("term", "start", "end", "target", "")


def term_rows(before: Verdict | None, after: Verdict | None) -> list[tuple[str, ...]]:
    """Return the verdict table: each term at the start and the end, its target, in spec or not."""
    earlier = {t.name: t for t in before.terms} if before is not None else {}
    later = {t.name: t for t in after.terms} if after is not None else {}
    rows: list[tuple[str, ...]] = []
    for name in dict.fromkeys([*later, *earlier]):
        first, last = earlier.get(name), later.get(name)
        some = last or first
        assert some is not None
        state = "not measured" if last is None else ("in spec" if last.in_spec else "NOT in spec")
        rows.append((term_label(name), _value(first), _value(last), _wanted(some), state))
    return rows


def own_facts(figures: Sequence[OwnFigure]) -> list[dict[str, Any]]:
    """Return what ISO 11146 calls divergence and ellipticity, each with its unit or why not."""
    facts = []
    for f in figures:
        values = {"value": f.value, "uncertainty": f.uncertainty}
        shown = {k: None if v is None else edge(v, f.unit) for k, v in values.items()}
        facts.append({"name": f.name, **shown, "unit": edge_unit(f.unit), "why": f.why or None})
    return facts


AXIS_HEADER = ("axis", "start", "end", "soft limits")


def axis_rows(
    positions: Mapping[str, float], axes: Mapping[str, Axis], before: Mapping[str, float]
) -> list[tuple[str, ...]]:
    """Return the start and end position of every axis, and its soft limits."""
    rows: list[tuple[str, ...]] = []
    for name, position in positions.items():
        axis = axes[name]
        unit = axis.unit
        label = unit_label(edge_unit(unit))
        start = before.get(name)
        rows.append(
            (
                name,
                "" if start is None else _fixed(start, unit, label),
                _fixed(position, unit, label),
                f"{stated(axis.lower, unit)} … {stated(axis.upper, unit)}",
            )
        )
    return rows


def _fixed(value: float, unit: str, label: str) -> str:
    return f"{fixed(edge(value, unit), 4)} {label}"


def _value(term: TermValue | None) -> str:
    return "–" if term is None else quantity(term.value, term.unit, term.uncertainty)


def _wanted(term: TermValue) -> str:
    target, tolerance = stated(term.target, term.unit), stated(term.tolerance, term.unit)
    return f"{target.partition(' ')[0]} ± {tolerance}"


# Standard output and standard error, whoever reads them and in whatever alphabet.

Name = Literal["stdout", "stderr"]

_PLAIN = str.maketrans(
    {
        "−": "-", "–": "-", "—": "-", "±": "+-", "×": "x", "·": "*", "≤": "<=", "≥": ">=",
        "“": '"', "”": '"', "‘": "'", "’": "'", "…": "...", "→": "->", "µ": "u", "μ": "u",
        "°": "deg", "σ": "sigma", "ρ": "rho", "α": "alpha", "λ": "lambda", "²": "^2", "³": "^3",
        "√": "sqrt ", "─": "-", "│": "|",
    }
)  # fmt: skip
"""What is printed in place of signs that the reader's alphabet lacks."""


_NARROW, _WIDE = 40, 200
"""Columns between which everything that is printed fits."""


def columns(name: Name) -> int | None:
    """Return how many columns the terminal behind a stream has; None where it is no terminal."""
    stream = getattr(sys, name)
    if not getattr(stream, "isatty", bool)():
        return None
    try:
        seen = os.get_terminal_size(stream.fileno()).columns
    except (OSError, ValueError):
        seen = 0
    asked = os.environ.get("COLUMNS", "")
    wide = int(asked) if asked.isdecimal() else seen
    return min(max(wide, _NARROW), _WIDE) if wide else None


def write(name: Name, text: str) -> None:
    """Print a line; nobody left to read it is no reason to break off what the bench is doing."""
    stream = getattr(sys, name)
    try:
        stream.write(_readable(text, getattr(stream, "encoding", None)) + "\n")
    except OSError as error:
        if not _nobody_reads(error):
            raise
        _silence(name)


def flush() -> None:
    """Send out what is still to be printed, if anybody reads it."""
    names: tuple[Name, ...] = ("stdout", "stderr")
    for name in names:
        try:
            getattr(sys, name).flush()
        except OSError as error:
            if not _nobody_reads(error):
                raise
            _silence(name)


def _nobody_reads(error: OSError) -> bool:
    """Whether the reader of a pipe has ended, or the terminal is gone."""
    return isinstance(error, BrokenPipeError) or error.errno == errno.EIO


def _readable(text: str, encoding: str | None) -> str:
    """Return ``text`` in signs that ``encoding`` has."""
    code = encoding or "utf-8"
    try:
        text.encode(code)
    except UnicodeEncodeError:
        return text.translate(_PLAIN).encode(code, "replace").decode(code)
    return text


def _silence(name: Name) -> None:
    """Let everything else that is printed go nowhere."""
    setattr(sys, name, Path(os.devnull).open("w", encoding="utf-8"))  # noqa: SIM115 - for good


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
