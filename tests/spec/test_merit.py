"""Spec and merit: guard band, signed components, the source's own divergence."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

from autoalign.beam.parameters import BeamParameters
from autoalign.core.errors import UsageError
from autoalign.optics.ideal import quantities
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.spec.terms import (
    DivergenceTerm,
    EllipticityTerm,
    PointingTerm,
    QuantityTerm,
    Spec,
    TermValue,
)

NAMES = (
    "pointing_x", "pointing_y", "divergence_xx", "divergence_yy", "divergence_xy",
    "astigmatism_0", "astigmatism_45", "near.xx", "near.yy",
)  # fmt: skip


def parameters(u: float = 0.0, **values: float) -> BeamParameters:
    """A quality in which everything is perfect but what is named."""
    base = dict.fromkeys(NAMES, 0.0) | {"near.xx": 26.0, "near.yy": 26.0}
    base |= {k.replace("near_", "near."): v for k, v in values.items()}
    return BeamParameters(
        NAMES, np.array([base[n] for n in NAMES]), np.eye(len(NAMES)) * u**2,
        {"near": 400.0, "far": 2400.0},
    )  # fmt: skip


def test_perfect_beam_of_a_point_source_is_in_spec_with_no_merit() -> None:
    """Nothing off, nothing to improve."""
    verdict = Spec.collimation().evaluate(parameters())
    assert verdict.in_spec
    assert verdict.merit == 0.0


@pytest.mark.parametrize("waist", [0.0, 150.0])
def test_divergence_floor_is_what_a_perfect_extended_source_shows(waist: float) -> None:
    """The floor is that of d² = D² + Θ²(z − w)² between the planes (ISO 11146-1, from memory)."""
    theta, d0 = 0.1 / 150.0, 26.0
    width = [math.hypot(d0, theta * (z - waist)) for z in (400.0, 2400.0)]
    seen = (width[1] - width[0]) / 2000.0
    term = DivergenceTerm(2e-4, source_divergence=theta, waist=waist)
    assert term.floor(parameters(near_xx=width[0], near_yy=width[0])) == pytest.approx(
        seen, rel=1e-9
    )
    judged = parameters(divergence_xx=seen, divergence_yy=seen, near_xx=width[0], near_yy=width[0])
    assert Spec((term,)).evaluate(judged)["divergence"].deviation == pytest.approx(0.0, abs=1e-12)


@pytest.mark.parametrize(
    ("core", "na", "emission"), [(0.1, 0.12, "multimode"), (1.0, 0.05, "uniform")]
)
def test_divergence_floor_is_what_the_exact_trace_shows(
    core: float, na: float, emission: Literal["multimode", "uniform"]
) -> None:
    """An aligned extended source, traced: its waist lies one reflected focal length behind.

    Taken at the mirror instead, the floor is a tenth too large.
    """
    layout = collimator_layout(OffAxisParaboloid(150, 35, 60), core, na, 660e-6, emission=emission)
    traced = {k: float(v) for k, v in quantities(layout).items()}
    seen = BeamParameters(
        tuple(traced), np.array(list(traced.values())), np.zeros((len(traced),) * 2),
        {p.name: p.distance for p in layout.planes},
    )  # fmt: skip
    shown = (seen["divergence_xx"] + seen["divergence_yy"]) / 2
    floor = DivergenceTerm(2e-4, core / 150, waist=150.0).floor(seen)
    assert floor == pytest.approx(shown, rel=5e-3)
    assert DivergenceTerm(2e-4, core / 150).floor(seen) > 1.08 * shown


@pytest.mark.parametrize(
    ("value", "u", "inside"), [(0.9e-4, 0, True), (0.9e-4, 1e-5, False), (1.1e-4, 0, False)]
)
def test_guard_band_counts_against_the_claim(value: float, u: float, inside: bool) -> None:
    """A beam inside the tolerance by less than its guard band is not accepted.

    ISO 14253-1, rule for proving conformance, from memory.
    """
    verdict = Spec((PointingTerm("x", 1e-4),)).evaluate(parameters(u, pointing_x=value))
    assert verdict.in_spec is inside


@pytest.mark.parametrize(("u", "inside"), [(0.0, True), (1e-5, False)])
def test_the_guard_band_counts_in_every_kind_of_term(u: float, inside: bool) -> None:
    """0.1 of a tolerance is left: too little for 1.645 standard uncertainties of 0.1 or 0.2."""
    grown = Spec((DivergenceTerm(1e-4),)).evaluate(parameters(u, divergence_xx=0.9e-4))
    # A stretch s is an ellipticity of 1 - 2s, with twice its uncertainty.
    oval = Spec((EllipticityTerm(1e-4),)).evaluate(parameters(u, astigmatism_0=0.45e-4))
    assert grown.in_spec is oval.in_spec is inside


@given(st.floats(-0.2, 0.2), st.floats(-0.2, 0.2), st.floats(0, math.pi))
def test_divergence_and_ellipticity_do_not_depend_on_the_axes(
    a: float, b: float, phi: float
) -> None:
    """Turning the beam changes neither the scalar nor the norm of the components."""
    r = np.array([[math.cos(phi), -math.sin(phi)], [math.sin(phi), math.cos(phi)]])
    g = r @ np.diag([a, b]) @ r.T
    straight = parameters(divergence_xx=a, divergence_yy=b)
    turned = parameters(divergence_xx=g[0, 0], divergence_yy=g[1, 1], divergence_xy=g[0, 1])
    spec = Spec((DivergenceTerm(1e-3),))
    one, two = spec.evaluate(straight), spec.evaluate(turned)
    assert abs(one["divergence"].deviation) == pytest.approx(max(abs(a), abs(b)), abs=1e-12)
    assert abs(two["divergence"].deviation) == pytest.approx(max(abs(a), abs(b)), abs=1e-12)
    assert np.linalg.norm(two.residuals) == pytest.approx(np.linalg.norm(one.residuals), abs=1e-9)


def test_ellipticity_is_the_ratio_of_the_principal_stretches() -> None:
    """Stretch 0.01 means a ratio of 0.99/1.01, whichever way it points."""
    for name in ("astigmatism_0", "astigmatism_45"):
        value = EllipticityTerm(0.015).evaluate(parameters(**{name: 0.01}), 0.0)
        assert value.value == pytest.approx(0.99 / 1.01)
        assert not value.in_spec
        assert np.linalg.norm(value.components) == pytest.approx((1 - value.value) / 0.015)


def test_uncertainty_of_divergence_follows_its_direction() -> None:
    """The uncertainty is that of the worse principal direction."""
    assert Spec((DivergenceTerm(1e-3),)).evaluate(parameters(1e-5, divergence_yy=1e-4))[
        "divergence"
    ].uncertainty == pytest.approx(1e-5)


@pytest.mark.parametrize("bad", ["pointing_x", "pointing_y", "divergence_xx", "astigmatism_0"])
@pytest.mark.parametrize("amount", [0.1, -0.1])
def test_one_term_out_of_tolerance_on_either_side_is_enough(bad: str, amount: float) -> None:
    """All the others are perfect: the beam is not in spec for that."""
    verdict = Spec.collimation().evaluate(parameters(**{bad: amount}))
    assert [t.in_spec for t in verdict.terms].count(False) == 1
    assert not verdict.in_spec


def test_specs_that_cannot_be() -> None:
    """No terms, a term twice, a tolerance of nothing: each refused."""
    with pytest.raises(UsageError, match="at least one term"):
        Spec(())
    with pytest.raises(UsageError, match="each term once"):
        Spec((PointingTerm("x", 1.0), PointingTerm("x", 2.0)))
    with pytest.raises(UsageError, match=r"tolerance 0\.0 must be larger"):
        QuantityTerm("near.x", 0.0)
    with pytest.raises(UsageError, match="allowed are 'x' and 'y'"):
        PointingTerm("z", 1.0)
    with pytest.raises(UsageError, match="target nan must be"):
        PointingTerm("x", 1.0, target=math.nan)
    with pytest.raises(UsageError, match="guard inf must be"):
        Spec((PointingTerm("x", 1.0),), guard=math.inf)


class _Counted:
    """A term of one quantity and its square, with a weight of 4; counts how often it is asked."""

    def __init__(self, name: str) -> None:
        self.name, self.quantities, self.asked = name, (name,), 0

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Return the quantity and its square as components."""
        self.asked += 1
        value = parameters[self.name]
        return TermValue(
            self.name, "1", value, 0.0, value, 0.0, 1.0, 4.0, np.array([value, value**2]), True
        )


def test_slopes_ask_only_the_terms_that_need_a_quantity() -> None:
    """Residuals by quantities, weights included; each term is asked once, and once for each."""
    first, second = _Counted("pointing_x"), _Counted("pointing_y")
    spec = Spec((first, second))
    found = spec.slopes(parameters(pointing_x=3.0, pointing_y=5.0), np.array([1e-6, 1e-6]))
    expected = [[2.0, 0.0], [12.0, 0.0], [0.0, 2.0], [0.0, 20.0]]
    np.testing.assert_allclose(found, expected, rtol=1e-5)
    assert (first.asked, second.asked) == (2, 2)
