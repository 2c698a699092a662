"""Both models of what a bench shows agree on when a mirror is overfilled, and are right there."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.core.axes import Axis
from autoalign.model import illumination as light
from autoalign.model.predict import BenchModel
from autoalign.optics.ideal import overfill, overfills, plane_moments
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.sources import aimed
from autoalign.optics.standard_layouts import collimator_layout

OPTIC = OffAxisParaboloid(150, 35, 30)


def layout_of(na, emission="multimode", core=0.05):
    """The demo's collimator with another light."""
    return collimator_layout(OPTIC, core, na, 660e-6, emission=emission)


def twin_of(layout):
    """Its twin, all axes free."""
    axes = [Axis(m.axis, *(("mm", -4, 4) if m.kind == "shift" else ("rad", -0.02, 0.02)))
            for m in layout.motions]  # fmt: skip
    return BenchModel(layout, axes)


@pytest.mark.parametrize("emission", ["multimode", "gaussian", "uniform"])
@pytest.mark.parametrize("na", [0.04, 0.055, 0.06, 0.07, 0.08, 0.1, 0.12])
def test_the_two_models_set_their_rays_alike(na, emission, monkeypatch):
    """Between a rim of 1e-4 and one of 0.02 one held the mirror overfilled, the other not."""
    layout = layout_of(na, emission)
    used = []
    monkeypatch.setattr(
        "autoalign.optics.ideal.aimed", lambda *a, **k: used.append(True) or aimed(*a, **k)
    )
    plane_moments(layout, place(layout))
    assert bool(used) == light.make_grid(layout).on_aperture == overfills(layout)


@pytest.mark.parametrize(("na", "emission"), [(0.07, "multimode"), (0.06, "gaussian")])
def test_a_rim_of_a_few_thousandths_counts(na, emission):
    """Cut by the mirror, the beam is narrower than its light by more than a part in a thousand.

    Moments of 7,200 rays on the aperture tell; the twin's 72 agree to 1e-5 of the beam's size.
    """
    layout = layout_of(na, emission)
    assert 1e-3 < overfill(layout) < 0.02
    model = twin_of(layout)
    x = np.random.default_rng(0).uniform(-1, 1, (5, 6)) * [1.0, 1.0, 3.0, 4e-3, 4e-3, 1e-2]
    few = model.predict(x, np.zeros(model.size)).moments
    model._grid = light.PupilGrid(*light.disk(15.0, 60, 120), on_aperture=True)
    many = model.predict(x, np.zeros(model.size)).moments
    size = np.sqrt(many[..., 2] + many[..., 3])[..., None]
    assert np.all(np.abs(few - many)[..., :2] < 1e-5 * size)
    assert np.all(np.abs(few - many)[..., 2:5] < 1e-5 * size**2)


def test_hard_edged_light_that_fits_its_mirror_does_not_fill_it():
    """A cone of sin ψ = NA leaves as a disk of diameter 2ρ·NA, to the next order in NA.

    The twin once spread every such light evenly over the whole aperture.
    """
    layout = layout_of(0.05, "uniform", core=0.0)
    model = twin_of(layout)
    near = model.predict(np.zeros((1, 6)), np.zeros(model.size)).moments[0, 0]
    # d_σ of an even disk is its diameter (ISO 11146-1, 4σ with σ = D/4).
    assert 4 * math.sqrt(near[3]) == pytest.approx(2 * 150 * 0.05, rel=0.02)
