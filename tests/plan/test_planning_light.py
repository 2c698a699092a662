"""What a plan says of its light: profile, width on leaving the mirror, and diffraction's share."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest

from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout, steering_layout
from autoalign.plan.advice import fill_of
from autoalign.plan.planning import Plan, plan
from autoalign.spec.terms import Spec

Emission = Literal["multimode", "gaussian", "uniform"]


def planned(emission: Emission, aperture: float = 25.4) -> Plan:
    """Return the plan of a collimator whose source has this emission."""
    layout = collimator_layout(
        OffAxisParaboloid(101.6, 90, aperture), 0.0, 0.13, 633e-6, emission=emission,
        planes=(("near", 350.0), ("far", 1900.0)),
    )  # fmt: skip
    return plan(layout, Spec.collimation(waist=101.6), np.random.default_rng(1), draws=1)


@pytest.mark.parametrize("emission", ["multimode", "gaussian", "uniform"])
@pytest.mark.parametrize("aperture", [25.4, 60.0])
def test_diffraction_is_that_of_the_width_that_is_printed(
    emission: Emission, aperture: float
) -> None:
    """M² = 1: θ d_σ = 4λ/π (ISO 11146-1); a point's collimated beam is as wide at the near plane.

    The aberrated wings of the even disk count once more at the plane: half a per cent at the most.
    """
    made = planned(emission, aperture)
    x, y = made.diameters["near"]
    width = math.sqrt((x * x + y * y) / 2)
    assert made.fill.width == pytest.approx(width, rel=5e-3)
    assert made.diffraction_divergence == pytest.approx(
        4 * 633e-6 / math.pi / made.fill.width, rel=1e-12
    )


def test_the_width_of_a_collimated_gaussian_is_its_diameter() -> None:
    """d_σ of a Gaussian is its 1/e² diameter (ISO 11146-1), square to it on a tilted flat too."""
    fill = fill_of(steering_layout(5.0, 660e-6))
    assert fill.width == pytest.approx(5.0, rel=1e-3)


def test_facts_name_the_profile_and_where_its_na_is_taken() -> None:
    """Two plans with one NA and two profiles are told apart by their facts."""
    said = {e: planned(e).facts()["light"] for e in ("multimode", "gaussian")}
    assert said["multimode"]["emission"] == "multimode"
    assert said["multimode"]["NA is the sine of the half-angle at"] == "5 % of the centre"
    assert said["gaussian"]["NA is the sine of the half-angle at"].startswith("1/e²")
