"""The CSV file of a campaign: read with its damages named, added to without losing anything.

One file holds one campaign: every row was run with the same budget by the same version.
"""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Iterable, Iterator, Sequence
from dataclasses import asdict, fields
from importlib.metadata import version
from pathlib import Path
from typing import Any

from autoalign.benchmark.outcome import Outcome
from autoalign.core.errors import UsageError
from autoalign.core.foreign import require_extra

__all__ = ["append_rows", "check_alike", "read_campaign", "read_rows", "write_parquet"]

_NAMES = tuple(f.name for f in fields(Outcome))
_LATER = ("budget", "budget_seconds", "version", "fidelity", "axes")
"""Columns that files of earlier versions lack."""

_WORDS = {
    "budget": "a budget of {} measurements",
    "budget_seconds": "a budget of {:g} s",
    "version": "version {}",
    "fidelity": "the fidelity {!r}",
}

_SHOWN = 5
"""Damaged lines that are named one by one."""


def append_rows(path: Path, rows: Iterable[Outcome]) -> None:
    """Add ``rows`` to the CSV file at ``path``; make it with its header where it is not there.

    A last line that was cut off in writing is dropped first.
    """
    if path.exists():
        os.truncate(path, path.read_bytes().rfind(b"\n") + 1)
    fresh = not path.exists() or path.stat().st_size == 0
    with path.open("a", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, _NAMES, lineterminator="\n")
        if fresh:
            writer.writeheader()
        for row in rows:
            writer.writerow(asdict(row))
        file.flush()
        os.fsync(file.fileno())


def write_parquet(path: Path, rows: Sequence[Outcome]) -> Path:
    """Write ``rows`` as Parquet, whole or not at all; return where.

    Raises
    ------
    UsageError
        Where what writes Parquet is not installed.
    """
    arrow, parquet = _parquet()
    table = arrow.Table.from_pylist([asdict(row) for row in rows])
    part = path.with_suffix(".part")
    parquet.write_table(table, part)
    return part.replace(path)


def read_campaign(path: Path) -> list[Outcome]:
    """Read a campaign from its CSV or Parquet file.

    Raises
    ------
    UsageError
        For a file that is not there or is no campaign; see :func:`read_rows`.
    """
    if not path.is_file():
        raise UsageError(f"{path}: there is no such file; give a campaign.csv or campaign.parquet.")
    if path.suffix != ".parquet":
        return read_rows(path)
    arrow, parquet = _parquet()
    try:
        table = parquet.read_table(path)
    except (OSError, arrow.ArrowException) as error:
        raise UsageError(f"{path}: not a campaign file ({str(error).splitlines()[0]}).") from error
    if any(name not in table.column_names for name in _NAMES):
        raise _foreign(path, table.column_names)
    return [Outcome(**row) for row in table.select(list(_NAMES)).to_pylist()]


def _parquet() -> tuple[Any, Any]:
    require_extra("a Parquet file", "parquet", "pyarrow")
    import pyarrow.parquet  # noqa: PLC0415

    return pyarrow, pyarrow.parquet


def read_rows(path: Path) -> list[Outcome]:
    """Read a campaign's CSV file; a last line that was cut off in writing is left out.

    Raises
    ------
    UsageError
        For a file that is not a campaign of this library, with the columns that are missing; for
        damaged lines, with their numbers and their text. The file is left as it is.
    """
    text = _text(path)
    if not text:
        return []
    rows, damages = [], []
    try:
        for number, cells in _lines(path, text):
            try:
                rows.append(_row(cells))
            except ValueError as error:
                damages.append(f"line {number}: {error}")
    except csv.Error as error:
        damages.append(f"after line {len(rows) + 1}: {error}")
    if damages:
        raise UsageError(_damaged(path, damages))
    return rows


def check_alike(path: Path, rows: Sequence[Outcome], wanted: dict[str, Any]) -> None:
    """Refuse to go on in a file whose ``rows`` differ from ``wanted`` in one of its columns.

    These are "budget", "budget_seconds", "version" and "fidelity".

    Raises
    ------
    UsageError
        With what the file holds, what was asked for, and what to do; nothing is lost.
    """
    for name, asked in wanted.items():
        held = sorted({getattr(row, name) for row in rows} - {asked})
        if held:
            found = " and ".join(_WORDS[name].format(value) for value in held)
            raise UsageError(
                f"{path}: contains outcomes of {found}; asked for is {_WORDS[name].format(asked)}. "
                "They cannot share one table. Nothing was run or changed: go on with "
                f"{found}, or name another folder."
            )


def _text(path: Path) -> str:
    """Return every whole line of the file."""
    try:
        text = path.read_bytes().decode("utf-8")
    except UnicodeDecodeError as error:
        raise UsageError(
            f"{path}: not a campaign file (not text: {error.reason} at byte {error.start}); it was "
            "left as it is. Name another folder, or move this file aside."
        ) from None
    whole = text[: text.rfind("\n") + 1]
    if not whole and not (",".join(_NAMES) + "\n").startswith(text):
        raise _foreign(path, [text])
    return whole


def _lines(path: Path, text: str) -> Iterator[tuple[int, list[str]]]:
    """Yield where each row begins, and its cells in the order of the columns of an outcome."""
    reader = csv.reader(io.StringIO(text, newline=""), strict=True)
    header = next(reader)
    if any(name not in header for name in _NAMES):
        raise _foreign(path, header)
    columns = [header.index(name) for name in _NAMES]
    begin = reader.line_num + 1
    for cells in reader:
        if cells:
            enough = len(cells) == len(header)
            yield begin, [cells[k] for k in columns] if enough else cells
        begin = reader.line_num + 1


def _row(cells: Sequence[str]) -> Outcome:
    """Return the outcome; a ``ValueError`` says what is wrong with the line."""
    if len(cells) != len(_NAMES):
        raise ValueError(f"{len(cells)} of {len(_NAMES)} columns")
    values: dict[str, Any] = {}
    for field, cell in zip(fields(Outcome), cells, strict=True):
        read, wanted = _READERS[str(field.type)]
        try:
            values[field.name] = read(cell)
        except (ValueError, KeyError):
            raise ValueError(f"{field.name} is {cell!r}; {wanted} is needed") from None
    return Outcome(**values)


_READERS: dict[str, tuple[Callable[[str], object], str]] = {
    "str": (str, "text"),
    "int": (int, "a whole number"),
    "float": (float, "a number"),
    "bool": ({"True": True, "False": False}.__getitem__, "True or False"),
}


def _foreign(path: Path, header: Sequence[str]) -> UsageError:
    missing = [name for name in _NAMES if name not in header]
    if set(missing) <= set(_LATER):
        return UsageError(
            f"{path}: made by an earlier version, which did not keep {', '.join(missing)}: nobody "
            "can tell whether its outcomes are comparable. Nothing was run or changed. "
            "Name another folder; or, where you know what every run was given, add these columns "
            "to the header and to every line, for instance 200 (measurements), inf (s), "
            f"{version('autoalign')}, frames and 6 (axes)."
        )
    return UsageError(
        f"{path}: not a campaign file; columns missing: {', '.join(missing)}. It was left as it "
        "is. Name another folder, or move this file aside."
    )


def _damaged(path: Path, damages: Sequence[str]) -> str:
    more = len(damages) - _SHOWN
    lines = [f"  {damage}" for damage in damages[:_SHOWN]]
    if more > 0:
        lines.append(f"  and {more} more")
    found = "1 damaged line" if len(damages) == 1 else f"{len(damages)} damaged lines"
    return "\n".join(
        [
            f"{path}: {found}; nothing was run or changed.",
            *lines,
            "Repair them, or delete them and their runs are made again; or name another folder.",
        ]
    )
