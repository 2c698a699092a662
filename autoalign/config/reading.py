"""From text to tables: parse, override, validate; and keep what is sound for the further checks."""

from __future__ import annotations

import copy
import re
import tomllib
from collections.abc import Mapping
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from autoalign.config.lines import key_lines
from autoalign.config.problems import Path, Problems
from autoalign.config.tables import BenchTables
from autoalign.core.errors import BenchFileError, UsageError, unknown_name

__all__ = ["parse", "read_text", "with_overrides"]


def read_text(path: FilePath) -> str:
    """Return the text of a bench file.

    Raises
    ------
    UsageError
        Where it is missing, unreadable, or not UTF-8.
    """
    try:
        return path.read_text(encoding="utf-8")
    except FileNotFoundError:
        raise UsageError(f"bench file {path}: there is no such file.") from None
    except UnicodeDecodeError as error:
        raise BenchFileError(
            str(path), [f"byte {error.start}: not UTF-8 text; save it as UTF-8."]
        ) from None
    except OSError as error:
        raise UsageError(f"bench file {path} cannot be read: {error.strerror}.") from None


def parse(
    source: str, text: str, overrides: Mapping[str, Any]
) -> tuple[Mapping[str, Any], BenchTables | None, Problems]:
    """Return the raw tables, the validated ones, and the mistakes found so far.

    The validated tables lack what was wrong, so that the sound rest can be checked further;
    they are None where too little is left.
    """
    try:
        raw = tomllib.loads(text)
    except tomllib.TOMLDecodeError as error:
        raise BenchFileError(source, [_syntax(str(error), text)]) from None
    raw, paths = with_overrides(raw, overrides)
    problems = Problems(source, key_lines(text), paths)
    raw = _with_likes(raw, problems)
    try:
        return raw, BenchTables.model_validate(raw), problems
    except ValidationError as error:
        problems.add_all(error, BenchTables)
        return raw, _salvage(raw), problems


def with_overrides(
    raw: Mapping[str, Any], overrides: Mapping[str, Any]
) -> tuple[dict[str, Any], list[Path]]:
    """Return ``raw`` with values replaced by dotted key, such as ``{"simulation.seed": 3}``."""
    merged = copy.deepcopy(dict(raw))
    paths: list[Path] = []
    for dotted, value in overrides.items():
        *tables, key = dotted.split(".")
        place = merged
        for table in tables:
            place = place.setdefault(table, {})
            if not isinstance(place, dict):
                raise UsageError(f"override {dotted}: {table!r} is not a table of the bench file.")
        place[key] = value
        paths.append((*tables, key))
    return merged, paths


_OWN = {"stages": ("axes", "like"), "detectors": ("plane", "like")}
"""Keys of a stage or detector that another one like it does not take over."""


def _with_likes(raw: dict[str, Any], problems: Problems) -> dict[str, Any]:
    """Return ``raw`` with what each table takes over from the one that it is like."""
    whole = dict(raw)
    for group in _OWN:
        tables = raw.get(group)
        if isinstance(tables, dict):
            whole[group] = {n: _like(tables, group, n, (), problems) for n in tables}
    return whole


def _like(
    tables: dict[str, Any], group: str, name: str, asked: tuple[str, ...], problems: Problems
) -> Any:
    table = tables[name]
    model = table.get("like") if isinstance(table, dict) else None
    if not isinstance(model, str):
        return table
    if model not in tables or model in (name, *asked):
        others = [n for n in tables if n not in (name, *asked)]
        problems.add((group, name, "like"), str(unknown_name(group[:-1], model, others)))
        return table
    base = _like(tables, group, model, (*asked, name), problems)
    taken = {k: v for k, v in base.items() if k not in _OWN[group]}
    return {**copy.deepcopy(taken), **table}


def _syntax(message: str, text: str) -> str:
    """Put the parser's complaint into our order: the line first."""
    match = re.fullmatch(r"(.*) \(at (?:line (\d+), column (\d+)|(end of document))\)", message)
    if match is None:
        return f"not TOML: {message}."
    what, line, column, _ = match.groups()
    where = f"line {line}, column {column}" if line else "at the end"
    there = text.splitlines()[int(line) - 1] if line else ""
    comma = " Decimals go after a point." if re.search(r"=\s*[+-]?\d+,\d", there) else ""
    return (
        f"{where}: not TOML: {what[:1].lower()}{what[1:]}.{comma} Correct this first; nothing else "
        "was checked."
    )


def _salvage(raw: dict[str, Any]) -> BenchTables | None:
    """Take out whatever is wrong, from the inside outwards, until the rest is valid."""
    rest: Any = copy.deepcopy(raw)
    bench = rest.get("bench")
    rest["bench"] = {"name": "unnamed", **(bench if isinstance(bench, dict) else {})}
    for _ in range(20):
        try:
            return BenchTables.model_validate(rest)
        except ValidationError as error:
            for detail in error.errors(include_url=False):
                path = detail["loc"][:-1] if detail["type"] == "missing" else detail["loc"]
                if not path:
                    return None
                _remove(rest, path)
    return None


def _remove(tables: Any, path: Path) -> None:
    for key in path[:-1]:
        if not isinstance(tables, dict) or key not in tables or isinstance(tables[key], list):
            break
        tables, path = tables[key], path[1:]
    if isinstance(tables, dict):
        tables.pop(path[0], None)
