"""Where each key of a TOML file stands: the parser does not say, so its text is read once more.

Only a file that already parsed is read, which keeps this short: it follows table headers and
keys, and skips strings, comments and brackets.
"""

from __future__ import annotations

import re
from collections.abc import Iterator

__all__ = ["key_lines", "line_of"]

Path = tuple[str | int, ...]

_KEY = re.compile(r"""\s*(?:"((?:[^"\\]|\\.)*)"|'([^']*)'|([A-Za-z0-9_-]+))\s*(\.?)""")
_BLANK = re.compile(r"(?:\s|\#[^\n]*\n)*")
_TOKEN = re.compile(
    r'"""(?:[^\\]|\\.)*?"{3,5}' + r"|'''.*?'{3,5}"
    r'|"(?:[^"\\\n]|\\.)*"' + r"|'[^'\n]*'"
    r"|\#[^\n]*|[\[\]{},\n]",
    re.DOTALL,
)  # fmt: skip


def key_lines(text: str) -> dict[Path, int]:
    """Return the line, counted from 1, of every table and key of the TOML ``text`` by its path."""
    lines: dict[Path, int] = {}
    counts: dict[Path, int] = {}
    table: Path = ()
    for start, statement in _statements(text):
        line = text.count("\n", 0, start) + 1
        if statement.startswith("[["):
            base = _keys(statement[2:])[0]
            counts[base] = counts.get(base, -1) + 1
            table = (*base, counts[base])
            _note(lines, table, 0, line)
        elif statement.startswith("["):
            table = _inside_arrays(_keys(statement[1:])[0], counts)
            _note(lines, table, 0, line)
        else:
            keys, _ = _keys(statement)
            _note(lines, (*table, *keys), len(table), line)
            _array(lines, (*table, *keys), text, start, statement)
    return lines


def line_of(lines: dict[Path, int], path: Path) -> int | None:
    """Return the line of ``path``, or of the closest table around it, or None."""
    for end in range(len(path), 0, -1):
        if path[:end] in lines:
            return lines[path[:end]]
    return None


def _note(lines: dict[Path, int], path: Path, known: int, line: int) -> None:
    """Note ``path`` and the tables that it opens on the way."""
    for end in range(known + 1, len(path) + 1):
        lines.setdefault(path[:end], line)


def _statements(text: str) -> Iterator[tuple[int, str]]:
    """Yield offset and text of every header and every ``key = value``."""
    start, depth = 0, 0
    for token in _TOKEN.finditer(text + "\n"):
        mark = token.group()
        if mark in "[{":
            depth += 1
        elif mark in "]}":
            depth -= 1
        elif mark == "\n" and depth == 0:
            body = text[start : token.start()]
            stripped = body.lstrip()
            if stripped and not stripped.startswith("#"):
                yield start + len(body) - len(stripped), stripped
            start = token.end()


def _keys(text: str) -> tuple[Path, int]:
    """Read a dotted key at the beginning of ``text``; return it and where it ends."""
    keys: list[str | int] = []
    end = 0
    while match := _KEY.match(text, end):
        double, single, bare, dot = match.groups()
        keys.append(next(k for k in (double, single, bare) if k is not None))
        end = match.end()
        if not dot:
            break
    return tuple(keys), end


def _inside_arrays(path: Path, counts: dict[Path, int]) -> Path:
    """Insert the index of the current entry after every array of tables that ``path`` enters."""
    full: Path = ()
    for key in path:
        full = (*full, key)
        if full in counts:
            full = (*full, counts[full])
    return full


def _array(lines: dict[Path, int], path: Path, text: str, start: int, statement: str) -> None:
    """Note the places of an array that spans several lines."""
    _, end = _keys(statement)
    value = statement[end:].lstrip("= \t")
    if "\n" not in value or not value.startswith("["):
        return
    index, depth = 0, 0
    offset = start + len(statement) - len(value)
    for token in _TOKEN.finditer(value):
        mark = token.group()
        depth += (mark in "[{") - (mark in "]}")
        if depth == 1 and mark in "[,":
            place = _BLANK.match(value, token.end())
            lines[(*path, index)] = text.count("\n", 0, offset + place.end()) + 1 if place else 0
            index += 1
