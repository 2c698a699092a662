"""Units meet in one place."""

from __future__ import annotations

import math

import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.errors import UnknownNameError
from autoalign.units import from_edge, kind_of, to_edge


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
