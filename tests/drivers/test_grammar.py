"""Answers are read strictly: whole lines, plain numbers, nothing completed and nothing guessed."""

from __future__ import annotations

import math
import re

import pytest
from autoalign_drivers.grammar import Grammar, strict_decimal, strict_integer
from autoalign_drivers.templates import Template
from hypothesis import given
from hypothesis import strategies as st

POSITION = Grammar(r"at (?P<axis>[0-9]+) (?P<counts>[+-][0-9]{8})")
LINE = "at 1 +00123456"


@pytest.mark.parametrize("text", ["0", "-17", "+00001234", "999999999999999"])
def test_whole_numbers(text: str) -> None:
    """Plain whole numbers are read as they stand."""
    assert strict_integer(text) == int(text)


@pytest.mark.parametrize(
    "text",
    ["", " 1", "1 ", "1_000", "１２", "٣", "²", "0x10", "1.0", "1e3", "--1", "+", "1" * 16, "1\n"],
)
def test_what_is_no_whole_number(text: str) -> None:
    """Blanks, underscores, other scripts' digits and the rest are refused."""
    with pytest.raises(ValueError, match="not a whole number"):
        strict_integer(text)


@pytest.mark.parametrize("text", ["12.5", "-0.001", "+3", "1.5e-3", "7E2"])
def test_decimal_numbers(text: str) -> None:
    """Plain decimal numbers are read as they stand."""
    assert strict_decimal(text) == float(text)


@pytest.mark.parametrize(
    "text",
    ["nan", "inf", "-Infinity", "1_0.0", "１.5", ".5", "5.", "1,5", "1e999", " 1", "1.0\n", ""],
)
def test_what_is_no_decimal_number(text: str) -> None:
    """All that ``float`` takes beyond a plain number is refused, and overflow cannot be written."""
    with pytest.raises(ValueError, match="not a plain decimal"):
        strict_decimal(text)


@pytest.mark.slow  # the first use of text loads the tables of Unicode
@given(st.text(max_size=30))
def test_numbers_from_any_text(text: str) -> None:
    """Any text gives a finite number or ValueError, and never one that its digits do not show."""
    try:
        value = strict_decimal(text)
    except ValueError:
        return
    assert math.isfinite(value)
    assert text.isascii()
    assert set(text) <= set("0123456789+-.eE")


@given(st.text(max_size=40))
def test_grammar_from_any_text(text: str) -> None:
    """A line matches as a whole or not at all; what matches is rebuilt from its groups exactly."""
    found = POSITION.read(text)
    if found is not None:
        assert f"at {found['axis']} {found['counts']}" == text
        strict_integer(found["counts"])


def test_lost_and_doubled_characters_show_in_a_fixed_width() -> None:
    """With sign and eight digits, no lost and no doubled character is read as a position."""
    lost = [LINE[:i] + LINE[i + 1 :] for i in range(len(LINE))]
    doubled = [LINE[: i + 1] + LINE[i:] for i in range(len(LINE))]
    wrong = [POSITION.read(text) for text in lost + doubled]
    taken = [w for w in wrong if w is not None]
    assert [w for w in taken if w["axis"] == "1"] == []


def test_a_flipped_bit_may_not_show() -> None:
    """A flipped bit can turn a digit into another: hence positions are read twice."""
    flips = [
        LINE[:i] + chr(ord(LINE[i]) ^ (1 << bit)) + LINE[i + 1 :]
        for i in range(len(LINE))
        for bit in range(7)
    ]
    wrong = [f for f in flips if POSITION.read(f) is not None]
    assert 0 < len(wrong) < len(flips) / 2


def test_digits_are_ascii_in_patterns() -> None:
    r"""``\d`` in a bench file's pattern does not mean the digits of other scripts."""
    assert Grammar(r"(?P<counts>\d+)").read("٣") is None


def test_broken_pattern() -> None:
    """A pattern that is none says so."""
    with pytest.raises(re.error):
        Grammar("(")


PATTERNS = st.recursive(
    st.sampled_from(["a", "b", "[ab]", "[^a]", ".", r"\d", r"\s", "0", "", "[b-d]"]),
    lambda inner: (
        st.tuples(inner, inner).map("".join)
        | st.tuples(inner, inner).map(lambda p: f"(?:{p[0]}|{p[1]})")
        | st.tuples(inner, st.sampled_from(["*", "+", "?", "*?", "{2}", "{1,3}", "{,2}?"])).map(
            lambda p: f"(?:{p[0]}){p[1]}"
        )
    ),
    max_leaves=8,
)


@pytest.mark.slow
@given(PATTERNS, PATTERNS, st.text("ab0 cd", max_size=7))
def test_patterns_mean_what_they_mean_in_re(one: str, two: str, line: str) -> None:
    """The same lines match, and the groups are the same, as with the standard matcher."""
    pattern = f"(?P<one>{one})(?P<two>{two})"
    expected = re.compile(pattern, re.ASCII).fullmatch(line)
    found = Grammar(pattern).read(line)
    assert found == (None if expected is None else expected.groupdict())


@pytest.mark.parametrize(
    "pattern", ["(a+)+b", "(a|a)*b", "(a*)*b", "([a-z]+)*=", "(a?){60}a{60}b", ".*.*.*.*=x"]
)
def test_no_pattern_takes_for_ever(pattern: str) -> None:
    """A pattern on which backtracking takes years is done at once: one hung a check once."""
    assert Grammar(pattern).read("a" * 2000) is None


@pytest.mark.parametrize(
    "pattern", [r"(a)\1", "(?=a)a", "(?<!a)b", "(?i)a", "a{3000}", r"a\b", "(a)(?(1)b|c)"]
)
def test_what_answers_need_not_have_is_refused(pattern: str) -> None:
    """Back references, looking ahead or behind, flags and endless repeats are refused at load."""
    with pytest.raises(re.error):
        Grammar(pattern)


def test_template_fills_every_place() -> None:
    """Places are filled; nothing else is touched or executed."""
    template = Template("go {axis} {counts}; {axis}", frozenset({"axis", "counts"}))
    assert template.fill(axis="2", counts="-5") == "go 2 -5; 2"
    assert template.names == {"axis", "counts"}


@pytest.mark.parametrize(
    ("text", "message"),
    [
        ("go {axle}", r"\{axle\} is unknown; allowed are \{axis\}"),
        ("go {axis.__class__}", "is unknown"),
        ("go {axis", "brace"),
        ("go axis}", "brace"),
        ("go {axis}\r", "printable ASCII"),
        ("gö {axis}", "printable ASCII"),
    ],
)
def test_template_mistakes(text: str, message: str) -> None:
    """An unknown place, a lone brace and control characters are refused with the reason."""
    with pytest.raises(ValueError, match=message):
        Template(text, frozenset({"axis"}))
