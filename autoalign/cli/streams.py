"""Standard output and standard error, whoever reads them and in whatever alphabet."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Literal

__all__ = ["Name", "columns", "flush", "write"]

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
    except BrokenPipeError:
        _silence(name)


def flush() -> None:
    """Send out what is still to be printed, if anybody reads it."""
    names: tuple[Name, ...] = ("stdout", "stderr")
    for name in names:
        try:
            getattr(sys, name).flush()
        except BrokenPipeError:
            _silence(name)


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
