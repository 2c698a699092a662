"""The uncertainty of every merit term against differences of its own value."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.spec.terms import (
    DivergenceTerm,
    EllipticityTerm,
    MeritTerm,
    PointingTerm,
    QuantityTerm,
)

VALUES = {
    "pointing_x": 3e-5, "pointing_y": -8e-5,
    "divergence_xx": 1.4e-4, "divergence_yy": -0.7e-4, "divergence_xy": 0.9e-4,
    "astigmatism_0": 0.11, "astigmatism_45": -0.07, "near.x": 0.2, "near.xx": 6.0, "near.yy": 5.0,
}  # fmt: skip
SIZES = np.array([1e-5, 1e-5, 2e-5, 2e-5, 1.5e-5, 4e-3, 5e-3, 0.01, 0.3, 0.4])
TERMS: tuple[MeritTerm, ...] = (
    PointingTerm("x", 1e-4),
    PointingTerm("y", 1e-4, target=2e-5),
    QuantityTerm("near.x", 0.5, target=0.1, unit="mm"),
    EllipticityTerm(0.015),
    DivergenceTerm(2e-4),
    DivergenceTerm(2e-4, source_divergence=2e-3, waist=150.0),
)  # fmt: skip


def parameters(values: np.ndarray, covariance: np.ndarray) -> BeamParameters:
    """Return the quality of two planes with ``values`` in the order of :data:`VALUES`."""
    return BeamParameters(tuple(VALUES), values, covariance, {"near": 400.0, "far": 2400.0})


def deviation(term: MeritTerm, values: np.ndarray) -> float:
    """Return what ``term`` is judged by, at exact ``values``."""
    return term.evaluate(parameters(values, np.zeros((len(values),) * 2)), 0.0).deviation


@pytest.mark.parametrize("term", TERMS, ids=lambda t: f"{t.name}-{t.quantities[-1]}")
@pytest.mark.parametrize("seed", range(4))
def test_the_uncertainty_is_that_of_small_changes(term: MeritTerm, seed: int) -> None:
    """u² = gᵀ C g, g by central differences, for quantities that are correlated.

    JCGM 100, 5.2.2, from memory.
    """
    rng = np.random.default_rng(seed)
    mixed = rng.standard_normal((len(SIZES),) * 2) * SIZES[:, None]
    # So small that the slope alone counts, also for the ellipticity, which is a length.
    covariance = 1e-8 * mixed @ mixed.T / len(SIZES)
    values = np.array(list(VALUES.values())) * rng.choice([-1.0, 1.0], len(SIZES))
    values[-2:] = np.abs(values[-2:])
    gradient = []
    for k, size in enumerate(SIZES * 1e-3):
        step = size * np.eye(len(SIZES))[k]
        gradient.append(
            (deviation(term, values + step) - deviation(term, values - step)) / 2 / size
        )
    expected = math.sqrt(np.array(gradient) @ covariance @ np.array(gradient))
    found = term.evaluate(parameters(values, covariance), 0.0).uncertainty
    assert expected > 0
    assert found == pytest.approx(expected, rel=1e-4)


def test_an_error_across_its_direction_counts_for_a_round_beam() -> None:
    """The ellipticity is a length: of a beam that is all but round it grows with either error."""
    names = ("astigmatism_0", "astigmatism_45")
    across = BeamParameters(names, np.array([1e-6, 0.0]), np.diag([0.0, 0.01**2]), {})
    along = BeamParameters(names, np.array([1e-6, 0.0]), np.diag([0.01**2, 0.0]), {})
    first, second = (EllipticityTerm(0.02).evaluate(p, 1.645).uncertainty for p in (across, along))
    assert first == pytest.approx(second, rel=0.01)
