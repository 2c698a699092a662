"""Numbers and verdicts as people read them."""

from __future__ import annotations

import math
from dataclasses import replace

import pytest

from autoalign.core.units import given, number, signed
from autoalign.messages.verdict_words import headline, left_open, verdict_text
from autoalign.messages.words import quantity, span_of_time, stated, term_label


@pytest.mark.parametrize(
    ("value", "text"),
    [
        (0.0, "0"), (1234.5, "1234"), (12.345, "12.3"), (-0.04, "−0.0400"),
        (math.inf, "∞"), (math.nan, "unknown"), (-1.234e-9, "−1.23 × 10⁻⁹"),
    ],
)  # fmt: skip
def test_a_number_keeps_three_digits_and_a_real_minus(value, text):
    """Significant digits, not decimals; minus is U+2212; nothing ends in an exponent."""
    assert number(value) == text


def test_a_value_is_rounded_to_its_uncertainty_and_labelled():
    """GUM (JCGM 100, 7.2.6, from memory): two digits of u, the value to the same place."""
    assert quantity(1.23456e-4, "rad", 7.9e-6) == "0.1235 ± 0.0079 mrad"
    assert quantity(0.98765, "1", 0.012) == "0.988 ± 0.012"
    assert quantity(2.0, "mm") == "2.00 mm"


def test_signs_are_shown_on_deviations():
    """+ for positive values, none for zero."""
    assert [signed(v) for v in (0.7, 0.0, -0.7)] == ["+0.700", "0", "−0.700"]


def test_chosen_numbers_are_not_padded():
    """A tolerance of 0.1 mrad is not shown as 0.100 mrad."""
    assert stated(1e-4, "rad") == "0.1 mrad"
    assert given(0.0047683) == "0.00477"
    assert given(86.0365) == "86.0"
    assert (given(2400.0), given(-0.5), given(0.0)) == ("2400", "−0.5", "0")


@pytest.mark.parametrize(
    ("seconds", "text"),
    [(3.25, "3.2 s"), (42.4, "42 s"), (252, "4 min 12 s"), (7500, "2 h 05 min")],
)
def test_time_is_told_in_words(seconds, text):
    """Two units at most."""
    assert span_of_time(seconds) == text


def test_success_is_never_claimed_without_a_look_after_the_last_move(record):
    """DESIGN rule 9: an outcome of "in spec" alone is not believed."""
    unseen = replace(record, last=None)
    assert headline(record) == "In spec"
    assert headline(unseen) == "Not shown to be in spec"
    assert "Nothing was measured after the last move" in verdict_text(unseen)


def test_a_run_that_moved_nothing_does_not_speak_of_its_last_move(record):
    """It said "figures of a look taken after the last move" and "1 looks"."""
    assert "These figures are from a measurement after the last move." in verdict_text(record)
    still = replace(record, moves=(), measurements=record.measurements[:1], first=0, last=0)
    text = verdict_text(still)
    assert text.startswith("1 measurement and 0 moves")
    assert "Nothing was moved; these figures are from the last measurement." in text
    assert "last move" not in text
    assert "last move" not in verdict_text(replace(still, last=None))


def test_the_verdict_names_the_terms_that_failed(record):
    """Value, target and tolerance of every failed term, with units."""
    failed = replace(record, last=1, outcome="budget spent", reason="40 of 40 measurements used")
    text = verdict_text(failed)
    assert headline(failed) == "Not in spec: budget spent"
    assert "4 of 4 terms are not within tolerance" in text
    assert "0.4950 ± 0.0080 mrad, target 0 ± 0.1 mrad" in text
    assert text.endswith("40 of 40 measurements used.")


def test_what_is_left_open_is_said(record):
    """Failed probes, moves without arrival, held parts, unseen planes and simulation are listed."""
    lines = " ".join(left_open(replace(record, locked=("mirror",))))
    for words in (
        "far frame was dark",
        "1 of 2 moves",
        "Locked, not moved: mirror",
        "near at 400 mm",
        "simulated",
    ):
        assert words in lines


def test_terms_are_called_by_words():
    """Known terms and quantities of a plane in words; a plug-in's own name as it stands."""
    assert term_label("pointing_x") == "pointing sideways (x)"
    assert term_label("focus.yy") == "width up/down (y) at focus"
    assert term_label("my.own_term") == "my.own_term"
