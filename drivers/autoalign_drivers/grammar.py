"""Reading a controller's answers strictly: whole-line patterns, and numbers without surprises."""

from __future__ import annotations

import functools
import re
from collections.abc import Mapping, Sequence

from autoalign_drivers.matching import Program

__all__ = ["Grammar", "fits", "strict_decimal", "strict_hexadecimal", "strict_integer"]

_HEXADECIMAL = re.compile(r"[+-]?(0[xX])?[0-9A-Fa-f]{1,16}", re.ASCII)
_INTEGER = re.compile(r"[+-]?[0-9]{1,15}", re.ASCII)
_DECIMAL = re.compile(r"[+-]?[0-9]{1,12}(\.[0-9]{1,12})?([eE][+-]?[0-9]{1,2})?", re.ASCII)


def strict_integer(text: str) -> int:
    """Return the whole number that ``text`` is.

    Only ASCII digits with an optional sign; no blanks, underscores or other scripts' digits.

    Raises
    ------
    ValueError
        For anything else.
    """
    if not _INTEGER.fullmatch(text):
        raise ValueError(f"{text!r} is not a whole number of up to 15 digits")
    return int(text)


def strict_hexadecimal(text: str) -> int:
    """Return the whole number that ``text`` is in hexadecimal digits, with or without 0x.

    Raises
    ------
    ValueError
        For anything else.
    """
    if not _HEXADECIMAL.fullmatch(text):
        raise ValueError(f"{text!r} is not a hexadecimal number of up to 16 digits")
    return int(text, 16)


def strict_decimal(text: str) -> float:
    """Return the finite decimal number that ``text`` is.

    ASCII digits with an optional sign, decimal point and exponent; never ``nan`` or ``inf``.

    Raises
    ------
    ValueError
        For anything else.
    """
    if not _DECIMAL.fullmatch(text):
        raise ValueError(f"{text!r} is not a plain decimal number")
    return float(text)


class Grammar:
    """A pattern that a whole answer must match, with named groups for what is wanted of it.

    ASCII only: ``\\d`` means 0 to 9. The time that matching takes grows with the answer alone.
    Raises ``re.error`` for a pattern that is none, or one that answers need not have.
    """

    def __init__(self, pattern: str) -> None:
        self.pattern = pattern
        self._program = _program(pattern)

    def __repr__(self) -> str:
        return f"Grammar({self.pattern!r})"

    @property
    def groups(self) -> frozenset[str]:
        """Names of the groups."""
        return frozenset(self._program.groups)

    def letters(self, group: str) -> frozenset[str]:
        """Return the characters that may be in the group so named."""
        return self._program.letters[self._program.groups[group]]

    def read(self, line: str) -> Mapping[str, str] | None:
        """Return the groups that took part, or None where ``line`` does not match as a whole."""
        texts = self._program.match(line)
        if texts is None:
            return None
        found = {name: texts[number] for name, number in self._program.groups.items()}
        return {name: text for name, text in found.items() if text is not None}


_program = functools.lru_cache(maxsize=256)(Program)


def fits(grammars: Sequence[Grammar], text: str) -> bool:
    """Return whether ``text`` as a whole matches one of ``grammars``."""
    return any(g.read(text) is not None for g in grammars)
