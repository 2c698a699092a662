"""Both models of what a bench shows agree on when a mirror is overfilled, and are right there."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.core.axes import Axis
from autoalign.model import illumination as light
from autoalign.model.predict import BenchModel
from autoalign.optics.ideal import effective_size, overfill, overfills, plane_moments
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.sources import aimed, cone
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import trace

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


def dense(layout, plane, positions=None):
    """Return mean and variances of 160,000 rays of a hard cone that the mirror's rim stops."""
    poses = place(layout, positions or {})
    out = trace(layout, poses, cone(layout.light, 400, 401, "even"))
    w = out.power / out.power.sum()
    z = poses[plane].position[2]
    x, y = (p + (z - out.z) / out.n * d for p, d in ((out.x, out.l), (out.y, out.m)))
    return w @ x, w @ y, w @ (x - w @ x) ** 2, w @ (y - w @ y) ** 2


@pytest.mark.parametrize("part", [1.0, 1.03, 1.1, 1.2])
def test_a_hard_cone_that_covers_part_of_the_mirror_is_followed_to_its_own_edge(part):
    """It was taken to cover all of it, up to 2.5 % of the width too much."""
    optic = OffAxisParaboloid(101.6, 60, 40)
    fits = 0.182  # covers the mirror nowhere past its rim
    layout = collimator_layout(optic, 0.0, fits * part, 660e-6, emission="uniform")
    _, _, xx, yy = dense(layout, "near")
    found = plane_moments(layout, place(layout))["near"]
    face = effective_size(layout.light) ** 2 / 16 * (300.0 / 101.6) ** 2
    assert math.sqrt(found["xx"]) == pytest.approx(math.sqrt(xx + face), rel=1e-3)
    assert math.sqrt(found["yy"]) == pytest.approx(math.sqrt(yy + face), rel=1e-3)
    model = twin_of(layout)
    near = model.predict(np.zeros((1, 6)), np.zeros(model.size)).moments[0, 0]
    assert math.sqrt(near[2]) == pytest.approx(math.sqrt(xx), rel=3e-3)
    assert math.sqrt(near[3]) == pytest.approx(math.sqrt(yy), rel=3e-3)


def test_the_edge_of_the_light_moves_with_the_source():
    """Derivatives by a complex step are those of a finite one, and of a dense trace."""
    optic = OffAxisParaboloid(101.6, 60, 40)
    layout = collimator_layout(optic, 0.0, 0.2, 660e-6, emission="uniform")
    step = plane_moments(layout, place(layout, {"source.x": np.array(1e-40j)}))["near"]
    up, down = (plane_moments(layout, place(layout, {"source.x": s}))["near"] for s in (0.3, -0.3))
    more, less = (dense(layout, "near", {"source.x": s}) for s in (0.3, -0.3))
    for k, name in ((0, "x"), (2, "xx")):
        exact = float(step[name].imag) / 1e-40
        assert float(up[name] - down[name]) / 0.6 == pytest.approx(exact, rel=0.03, abs=0.02)
        assert (more[k] - less[k]) / 0.6 == pytest.approx(exact, rel=0.04, abs=0.05)


def test_a_batch_of_poses_has_an_edge_each():
    """Several amounts at once give what each gives by itself; where no light arrives, nothing."""
    optic = OffAxisParaboloid(101.6, 60, 40)
    layout = collimator_layout(optic, 0.1, 0.2, 660e-6, emission="uniform")
    many = plane_moments(layout, place(layout, {"mirror.tip": np.array([0.0, 0.01, 0.05])}))
    for k, amount in enumerate((0.0, 0.01, 0.05)):
        one = plane_moments(layout, place(layout, {"mirror.tip": amount}))
        assert float(many["far"]["xx"][k]) == pytest.approx(float(one["far"]["xx"]), rel=1e-9)


def test_a_hard_cone_beside_its_mirror_gives_no_light():
    """The power falls to nothing as the cone leaves the aperture, and stays nothing."""
    optic = OffAxisParaboloid(101.6, 60, 40)
    layout = collimator_layout(optic, 0.1, 0.2, 660e-6, emission="uniform")
    aside = np.array([0.0, 20.0, 35.0, 60.0])
    with np.errstate(all="ignore"):
        power = plane_moments(layout, place(layout, {"source.y": aside}))["far"]["power"]
    assert np.all(np.diff(power) <= 0)
    assert power[1] > 0.1
    assert power[3] == 0
