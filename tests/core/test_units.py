"""Units meet in one place."""

from __future__ import annotations

import math
import re

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.core.units import from_edge, kind_of, parse_quantity, quantity, to_edge


@pytest.mark.parametrize(
    ("value", "unit", "inner"),
    [(1.0, "mrad", 1e-3), (660.0, "nm", 660e-6), (5.5, "um", 5.5e-3), (180.0, "deg", math.pi)],
)
def test_known_conversions(value: float, unit: str, inner: float) -> None:
    """SI prefixes and the definition of the degree."""
    assert from_edge(value, unit) == pytest.approx(inner, rel=1e-15)


@given(st.floats(-1e6, 1e6), st.sampled_from(["m", "mm", "um", "nm", "rad", "mrad", "urad", "deg"]))
def test_round_trip(value: float, unit: str) -> None:
    """There and back again is the same number."""
    assert to_edge(from_edge(value, unit), unit) == pytest.approx(value, rel=1e-14)


def test_unknown_unit_is_named_with_a_hint() -> None:
    """A misspelt unit is answered with the closest known one."""
    with pytest.raises(UnknownNameError, match=r"'mrads'. Did you mean 'mrad'"):
        kind_of("mrads")


@pytest.mark.parametrize(
    ("text", "said"),
    [
        ("4 in", '"101.6 mm"'),
        ("1 inch", '"25.4 mm"'),
        ("2 in/s", '"50.8 mm/s"'),
        ("3 cm", '"30 mm"'),
        # 1 arcmin = π/10800 rad (SI brochure, units accepted for use with the SI).
        ("1 arcmin", '"0.2908882087 mrad"'),
    ],
)
def test_a_unit_of_elsewhere_is_answered_with_the_same_in_ours(text: str, said: str) -> None:
    """An inch is not a minute: the number is converted instead of a unit being guessed."""
    with pytest.raises(UsageError, match=re.escape(said)):
        parse_quantity(text)


@pytest.mark.parametrize("text", ["101,6 mm", "5,5 um", "1,000 mm", "0,1 mrad/s"])
def test_a_decimal_comma_is_recognised(text: str) -> None:
    """The number is not cut in two, nor its rest taken for a unit."""
    with pytest.raises(UsageError, match="has a comma between two digits"):
        parse_quantity(text)


@pytest.mark.parametrize(
    ("example", "said"), [("5.5 um", '"7 um"'), ("633 nm", '"7 nm"'), ("", '"7 mm"')]
)
def test_a_missing_unit_is_proposed_as_it_is_usual_there(example: str, said: str) -> None:
    """A pitch of seven is micrometres, whatever other lengths are given in."""
    with pytest.raises(UsageError, match=f"has no unit; write for instance {said}"):
        quantity("7", "mm", example=example)
