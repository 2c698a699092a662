"""Standard output and standard error, whoever reads them and in whatever alphabet."""

from __future__ import annotations

import os
import sys
from pathlib import Path
from typing import Literal

__all__ = ["Name", "flush", "write"]

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
