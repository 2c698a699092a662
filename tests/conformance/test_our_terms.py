"""Every merit term of ours passes the suite of terms."""

from __future__ import annotations

import pytest

from autoalign.spec.terms import (
    DivergenceTerm,
    EllipticityTerm,
    MeritTerm,
    PointingTerm,
    QuantityTerm,
)
from autoalign.testing import TermConformance


class TestPointing(TermConformance):
    """Pointing along x, with a target."""

    def make_term(self) -> MeritTerm:
        """Return it."""
        return PointingTerm("x", 1e-4, target=3e-4, weight=2.0)

    def ideal(self, term: MeritTerm) -> dict[str, float]:
        """Return the target."""
        return {"pointing_x": 3e-4}


class TestDivergence(TermConformance):
    """Divergence of a point source."""

    def make_term(self) -> MeritTerm:
        """Return it."""
        return DivergenceTerm(2e-4, weight=3.0)

    def ideal(self, term: MeritTerm) -> dict[str, float]:
        """Return a beam of 10 mm that does not grow."""
        return {**super().ideal(term), "near.xx": 10.0, "near.yy": 10.0}


class TestEllipticity(TermConformance):
    """Ellipticity of far against near."""

    def make_term(self) -> MeritTerm:
        """Return it."""
        return EllipticityTerm(0.015, weight=2.0)


class TestQuantity(TermConformance):
    """Any quantity by name."""

    def make_term(self) -> MeritTerm:
        """Return it."""
        return QuantityTerm("far.x", 0.5, unit="mm", weight=0.5)


def test_the_suite_asks_for_a_term() -> None:
    """A subclass that makes no term is told what to write."""
    with pytest.raises(NotImplementedError, match="say in make_term how"):
        TermConformance().make_term()
