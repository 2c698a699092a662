"""Regular expressions matched in a time that grows with the line alone, whatever the pattern.

A pattern from a bench file may be one on which a backtracking matcher takes for ever. Here it is
turned into a small program, and no instruction is tried twice at the same place of a line (R. Cox,
"Regular Expression Matching: the Virtual Machine Approach", 2009, from memory): the first way that
leads to the end is the one that a backtracking matcher would find.
"""

from __future__ import annotations

import re
from collections.abc import Callable, Iterable
from re import _constants as sre  # type: ignore[attr-defined]
from re import _parser as parser  # type: ignore[attr-defined]
from typing import Any

__all__ = ["Program"]

_LONGEST = 2000
"""Instructions that a pattern may become: counted repeats are written out."""

_CHARACTERS = frozenset(map(chr, range(128))) | {"\ufffd"}
"""Those of an answer: ASCII, and what stands for a byte that is none."""

_CLASSES: dict[Any, Callable[[str], bool]] = {
    sre.CATEGORY_DIGIT: lambda c: c in "0123456789",
    sre.CATEGORY_SPACE: lambda c: c in " \t\n\r\f\v",
    sre.CATEGORY_WORD: lambda c: c == "_" or (c.isascii() and c.isalnum()),
}
_OPPOSITES = {
    sre.CATEGORY_NOT_DIGIT: sre.CATEGORY_DIGIT,
    sre.CATEGORY_NOT_SPACE: sre.CATEGORY_SPACE,
    sre.CATEGORY_NOT_WORD: sre.CATEGORY_WORD,
}

_ENDS = {
    sre.AT_BEGINNING: False,
    sre.AT_BEGINNING_STRING: False,
    sre.AT_END: True,
    sre.AT_END_STRING: True,
}

_ONE, _SPLIT, _JUMP, _MARK, _EDGE, _END = range(6)
_Instruction = tuple[int, Any, Any]


class Program:
    """A pattern that a whole line is matched with.

    Attributes
    ----------
    groups, letters
        Number of each named group; the characters that may be in each group, by number.

    Raises
    ------
    re.error
        For a pattern that is none, or has what cannot be matched in bounded time or is not needed
        to read an answer: a look ahead or behind, a reference to a group, a word boundary, flags.
    """

    def __init__(self, pattern: str) -> None:
        tree = parser.parse(pattern, re.ASCII)
        if tree.state.flags & ~re.ASCII:
            raise re.error("flags such as (?i) are not used here; write out what is meant", pattern)
        self.groups: dict[str, int] = dict(tree.state.groupdict)
        self.letters: dict[int, frozenset[str]] = {}
        self._code: list[_Instruction] = []
        self._pattern = pattern
        self._marks = 2 * tree.state.groups
        self._inside: list[int] = []
        self._sequence(tree)
        self._emit(_END)

    def match(self, line: str) -> list[str | None] | None:
        """Return the text of every group by number, or None where ``line`` does not match."""
        code, size, length = self._code, len(self._code), len(line)
        tried = bytearray(size * (length + 1))
        ways: list[tuple[int, int, tuple[int, ...]]] = [(0, 0, (-1,) * self._marks)]
        while ways:
            at, place, marks = ways.pop()
            while True:
                key = place * size + at
                if tried[key]:
                    break
                tried[key] = 1
                kind, what, other = code[at]
                if kind == _ONE:
                    if place == length or line[place] not in what:
                        break
                    at, place = at + 1, place + 1
                elif kind == _SPLIT:
                    ways.append((other, place, marks))
                    at = what
                elif kind == _JUMP:
                    at = what
                elif kind == _MARK:
                    marks = (*marks[:what], place, *marks[what + 1 :])
                    at += 1
                elif kind == _EDGE and place == (length if what else 0):
                    at += 1
                elif kind == _END and place == length:
                    return self._texts(line, marks)
                else:
                    break
        return None

    def _texts(self, line: str, marks: tuple[int, ...]) -> list[str | None]:
        pairs = zip(marks[::2], marks[1::2], strict=True)
        return [line[a:b] if a >= 0 and b >= 0 else None for a, b in pairs]

    def _emit(self, kind: int, what: Any = None, other: Any = None) -> int:
        if len(self._code) >= _LONGEST:
            raise re.error("the pattern is too long, or repeats too often", self._pattern)
        self._code.append((kind, what, other))
        return len(self._code) - 1

    def _sequence(self, items: Iterable[Any]) -> None:
        for kind, what in items:
            self._item(kind, what)

    def _item(self, kind: Any, what: Any) -> None:
        letters = _letters(kind, what)
        if letters is not None:
            self._emit(_ONE, letters)
            for group in self._inside:
                self.letters[group] = self.letters.get(group, frozenset()) | letters
        elif kind is sre.SUBPATTERN:
            self._group(*what)
        elif kind is sre.BRANCH:
            self._branch(what[1])
        elif kind in (sre.MAX_REPEAT, sre.MIN_REPEAT):
            self._repeat(*what, greedy=kind is sre.MAX_REPEAT)
        elif kind is sre.AT and what in _ENDS:
            self._emit(_EDGE, _ENDS[what])
        else:
            name = str(kind).lower().replace("_", " ")
            raise re.error(f"{name} is not used here; the pattern is the whole answer")

    def _group(self, number: int | None, add: int, remove: int, items: Any) -> None:
        if add or remove:
            raise re.error("flags such as (?i:…) are not used here", self._pattern)
        if number is None:
            self._sequence(items)
            return
        self._inside.append(number)
        self.letters.setdefault(number, frozenset())
        self._emit(_MARK, 2 * number)
        self._sequence(items)
        self._emit(_MARK, 2 * number + 1)
        self._inside.pop()

    def _branch(self, ways: list[Any]) -> None:
        ends = []
        for items in ways[:-1]:
            split = self._emit(_SPLIT)
            self._sequence(items)
            ends.append(self._emit(_JUMP))
            self._code[split] = (_SPLIT, split + 1, len(self._code))
        self._sequence(ways[-1])
        for end in ends:
            self._code[end] = (_JUMP, len(self._code), None)

    def _repeat(self, least: int, most: int, items: Any, *, greedy: bool) -> None:
        for _ in range(least):
            self._sequence(items)
        if most is sre.MAXREPEAT:
            split = self._emit(_SPLIT)
            self._sequence(items)
            self._emit(_JUMP, split)
            self._fork(split, greedy)
            return
        splits = []
        for _ in range(most - least):
            splits.append(self._emit(_SPLIT))
            self._sequence(items)
        for split in splits:
            self._fork(split, greedy)

    def _fork(self, split: int, greedy: bool) -> None:
        inside, after = split + 1, len(self._code)
        self._code[split] = (_SPLIT, inside, after) if greedy else (_SPLIT, after, inside)


def _letters(kind: Any, what: Any) -> frozenset[str] | None:
    """Return the characters that one character of a pattern stands for; None for all else."""
    if kind is sre.LITERAL:
        return frozenset(chr(what))
    if kind is sre.NOT_LITERAL:
        return _CHARACTERS - {chr(what)}
    if kind is sre.ANY:
        return _CHARACTERS - {"\n"}
    if kind is not sre.IN:
        return None
    found: set[str] = set()
    for item, value in what:
        if item is sre.RANGE:
            found |= set(map(chr, range(value[0], min(value[1], 127) + 1)))
        elif item is sre.CATEGORY:
            wanted = _CLASSES[_OPPOSITES.get(value, value)]
            found |= {c for c in _CHARACTERS if wanted(c) is (value not in _OPPOSITES)}
        elif item is sre.LITERAL:
            found.add(chr(value))
    return _CHARACTERS - found if what[0][0] is sre.NEGATE else frozenset(found)
