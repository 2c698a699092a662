"""What the code refers to can be found by its reader: no lists kept elsewhere, no unnamed books."""

from __future__ import annotations

import io
import re
import tokenize
from collections.abc import Iterator
from pathlib import Path

import pytest

ROOT = Path(__file__).parents[2]
ROOMS = ("autoalign", "drivers", "simulators", "tests")

# G20 and its like are words of a machine language, no codes from a list.
ELSEWHERE = {
    "a code from a list": re.compile(
        r"^[\"'#\s]*[A-Z]{1,2}\d{1,2}([–,]\s?[A-Z]?\d{1,2})*: |\b[A-FH-Z]\d{2}\b(?=[,:)–])",
        re.MULTILINE,
    ),
    "a numbered form": re.compile(r"\b(form|list|entry|item) \d+\b"),
    "a tag": re.compile(r"\[(derived|read|memory|from memory|recomputed)\b|\bCHECK:"),
    "a document outside": re.compile(r"\b(CHECK-VALUES|FAULTS|STYLE|WORDS|DESIGN)\.md|\bshared/"),
    "a book without a name": re.compile(
        r"\b(any|optics|laser|optical) (hand|text)book"
        r"|\b(hand|text)books?\b(?![-.\"\'])|\btutorials? (by|of)\b"
        r"|\btechnical note\b|\btoolbox\b|\b(un)?published (thread|discussion)"
    ),
}  # fmt: skip

ALLOWED = {
    "Appl. Opt. 47, A27": "the page of a paper",
}


def prose(source: str) -> Iterator[tuple[int, str]]:
    """Line and text of every comment and string of ``source``."""
    for token in tokenize.generate_tokens(io.StringIO(source).readline):
        if token.type in (tokenize.COMMENT, tokenize.STRING):
            yield token.start[0], token.string


def found(source: str) -> list[str]:
    """Everything in ``source`` that its reader cannot look up."""
    out = []
    for line, text in prose(source):
        for phrase in ALLOWED:
            text = text.replace(phrase, "")  # noqa: PLW2901
        out += [f"line {line}: {kind}" for kind, p in ELSEWHERE.items() if p.search(text)]
    return out


FILES = sorted(
    path for room in ROOMS for path in (ROOT / room).rglob("*.py") if path != Path(__file__)
)


@pytest.mark.parametrize("room", ROOMS)
def test_nothing_refers_to_a_list_or_a_book_that_no_reader_has(room: str) -> None:
    """Comments and docstrings name a source with its place, or say that they derive it."""
    files = [path for path in FILES if path.relative_to(ROOT).parts[0] == room]
    assert files
    wrong = {
        str(path.relative_to(ROOT)): lines
        for path in files
        if (lines := found(path.read_text(encoding="utf-8")))
    }
    assert not wrong


@pytest.mark.parametrize(
    ("planted", "kind"),
    [
        ('"""S03: a digit changed under way."""', "a code from a list"),
        ('"""N5, D04: what was there already."""', "a code from a list"),
        ('"""S01–S08, S18: one fault at any query."""', "a code from a list"),
        ("x = 1  # as M14, H01) have it", "a code from a list"),
        ('"""Off by (t/ρ)/sin α in form 3."""', "a numbered form"),
        ("# CHECK: the law of two flats.", "a tag"),
        ('"""−1/ρ rad per mm [derived]."""', "a tag"),
        ("# Units λN [from memory; recomputed].", "a tag"),
        ("# As FAULTS.md has it.", "a document outside"),
        ("# ρ = f/cos²b (any optics handbook).", "a book without a name"),
        ("# Half-angle d/2f: a fibre-optics technical note.", "a book without a name"),
    ],
)
def test_a_planted_reference_is_caught(planted: str, kind: str) -> None:
    """Each kind is seen in a comment or a docstring, and in neither it is not."""
    assert found(planted) == [f"line 1: {kind}"]
    assert found("S03 = form = [1]\n") == []
