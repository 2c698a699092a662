"""The one way in which numbers are printed."""

from __future__ import annotations

import pytest

from autoalign.core.units import concise, fixed, percent


@pytest.mark.parametrize(
    ("part", "text"),
    [(0.17, "17 %"), (0.127, "13 %"), (0.0123, "1.2 %"), (0.998, "99.8 %"), (2.5, "250 %"),
     (-0.034, "−3.4 %"), (0.0, "0 %"), (1.0, "100 %")],
)  # fmt: skip
def test_a_percentage_has_a_blank_and_a_real_minus(part: float, text: str) -> None:
    """Two digits, and a third where two would round a loss of 0.2 % away."""
    assert percent(part) == text


def test_a_fixed_number_always_shows_its_sign() -> None:
    """Columns of positions line up, zero included; a rounded-away minus does not stay."""
    assert [fixed(v, 2) for v in (1.5, -1.5, 0.0, -0.001)] == ["+1.50", "−1.50", "+0.00", "+0.00"]


def test_an_uncertainty_stands_in_units_of_the_last_digit() -> None:
    """JCGM 100, 7.2.2, the second of its ways, from memory: 100.021 47(35)."""
    assert concise(100.02147, 0.00035) == "100.02147(35)"
    assert concise(-1.5, 0.0) == "−1.5"
