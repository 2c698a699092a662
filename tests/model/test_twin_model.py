"""The twin against the general ray trace, against closed forms, and its own derivatives."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators import benches

from autoalign.core.axes import Axis
from autoalign.model import illumination as light
from autoalign.model.poses import exp
from autoalign.model.predict import BenchModel
from autoalign.model.unknowns import twist_of
from autoalign.optics.layout import Motion
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout


@pytest.fixture
def model(make_bench):
    """The demo's twin."""
    bench = make_bench(0)
    return BenchModel(bench.nominal, bench.axes)


def test_exact_derivatives(model):
    """Every derivative agrees with a central difference of the prediction itself."""
    rng = np.random.default_rng(3)
    x = np.array([[0.5, -0.3, 1.0, 2e-3, -3e-3, 5e-3]])
    phi = rng.normal(size=model.size)
    seen = model.predict(x, phi, derivatives=True)
    for k in range(model.size):
        step = np.zeros(model.size)
        step[k] = 1e-4
        up, down = model.predict(x, phi + step).moments, model.predict(x, phi - step).moments
        size = np.abs(seen.jacobian).max(axis=-1)
        assert np.all(np.abs((up - down) / 2e-4 - seen.jacobian[..., k]) < 1e-6 * size)


@pytest.mark.parametrize("kind", ["steering", "focuser", "relay", "narrow source"])
def test_exact_derivatives_of_every_kind_of_bench(kind):
    """Beams and sources, flats and two mirrors, rays on the aperture and in the far field."""
    if kind == "narrow source":
        optic = OffAxisParaboloid(150, 35, 30)
        layout = collimator_layout(optic, 0.05, 0.04, 660e-6, emission="gaussian")
        axes = [
            Axis(m.axis, *(("mm", -4, 4) if m.kind == "shift" else ("rad", -0.02, 0.02)))
            for m in layout.motions[:4]
        ]
    else:
        bench = getattr(benches, kind)(seed=0)
        layout, axes = bench.layout, list(bench.axes.values())
    model = BenchModel(layout, axes)
    rng = np.random.default_rng(3)
    x = np.array([[rng.uniform(a.lower, a.upper) / 5 for a in axes] for _ in range(2)])
    phi = 0.5 * rng.normal(size=model.size)
    jacobian = model.predict(x, phi, derivatives=True).jacobian
    size = np.abs(jacobian).max(axis=-1)
    for k in range(model.size):
        step = np.zeros(model.size)
        step[k] = 1e-5
        up, down = model.predict(x, phi + step).moments, model.predict(x, phi - step).moments
        assert np.all(np.abs((up - down) / 2e-5 - jacobian[..., k]) < 2e-6 * size), k


def test_motion_is_the_derivative_by_axis_position(model):
    """``motion`` agrees with moving the axes."""
    x = np.array([[0.5, -0.3, 1.0, 2e-3, -3e-3, 5e-3]])
    phi = 0.5 * np.random.default_rng(4).normal(size=model.size)
    motion = model.predict(x, phi, derivatives=True).motion
    for k, axis in enumerate(model.axes):
        h = 1e-4 * axis.travel
        up, down = (model.predict(x + s * h * np.eye(6)[k], phi).moments for s in (1, -1))
        # The offset acts on the axis as built; a scale error changes it by what it is itself.
        assert np.allclose((up - down) / (2 * h), motion[..., k], rtol=1e-4, atol=1e-3)


def test_few_rays_are_enough(model, make_bench):
    """72 rays do as 1,152: to 1e-4 mm, 1e-3 mm² and 0.01 mm³, clipped edge included."""
    x = np.array([[0.8, -0.7, 2.0, 3e-3, -3e-3, 5e-3]])
    phi = np.random.default_rng(5).normal(size=model.size)
    coarse = model.predict(x, phi).moments
    model._grid = light.PupilGrid(*light.disk(15.0, 24, 48), on_aperture=True)
    gap = np.abs(model.predict(x, phi).moments - coarse).max(axis=(0, 1))
    assert np.all(gap < [1e-4, 1e-4, 1e-3, 1e-3, 1e-3, 0.01, 0.01, 0.01, 0.01])


def test_aligned_beam_has_the_width_of_its_source(model):
    """Far grows against near by the core's divergence alone: d² = D² + (Θ z)², Θ = core/ρ."""
    m = model.predict(np.zeros((1, 6)), np.zeros(model.size)).moments[0]
    # d_σ of a uniform disk is its diameter, so Θ = 0.1/150 rad (d/f backwards through a focusing
    # element: ISO 11146-1, from memory); z counts from the pupil, which clipping puts up to ρ
    # behind the mirror.
    growth = 16 * (m[1, 2] - m[0, 2]) / (0.1 / 150) ** 2
    assert 2250**2 - 250**2 < growth < 2400**2 - 400**2
    assert abs(m[1, 0] - m[0, 0]) < 1e-9
    assert np.sqrt(m[1, 2] / m[1, 3]) == pytest.approx(1, abs=1e-3)


def test_source_shift_points_by_shift_over_focal_length(model):
    """A source moved sideways by t turns the beam by atan(t/ρ)."""
    t = 0.5
    m = model.predict([[t, 0, 0, 0, 0, 0]], np.zeros(model.size)).moments[0]
    # Pointing is exactly atan(t/ρ) for the chief ray (derived here); the
    # centroid of a clipped bundle follows it to a percent.
    assert (m[1, 0] - m[0, 0]) / 2000 == pytest.approx(-np.arctan(t / 150), rel=0.01)


def test_agrees_with_the_general_trace(make_bench):
    """The twin's moments are those of 1,568 rays through the library's general ray trace."""
    bench = make_bench(7, noise=0.0)
    plain = bench.nominal
    bench.layout, bench.scale, bench.cross = plain, np.ones(6), np.eye(6)
    bench.zero, bench.offsets, bench.bend = np.zeros(6), {}, np.zeros(3)
    bench.pitch = np.ones((2, 2))
    u, v = bench.rays.l / 0.12, bench.rays.m / 0.12
    even = np.repeat(np.polynomial.legendre.leggauss(28)[1], 56)
    object.__setattr__(bench.rays, "weight", even * 0.05 ** (u * u + v * v) / bench.rays.n)
    model = BenchModel(plain, bench.axes)
    x = np.array([0.6, -0.5, 1.5, 2e-3, -1e-3, 5e-3])
    ours = model.predict(x[None], np.zeros(model.size)).moments[0]
    theirs = np.array(list(bench.moments(x).values()))
    # The dense rays are cut at the edge ray by ray, which is worth a fraction of a percent.
    assert np.allclose(ours[:, :2], theirs[:, :2], atol=0.08)
    assert np.allclose(ours[:, 2:4], theirs[:, 2:4], rtol=0.01)
    shift_ours, shift_theirs = ours[1, :2] - ours[0, :2], theirs[1, :2] - theirs[0, :2]
    assert np.allclose(shift_ours, shift_theirs, atol=0.01)


def test_exponential_of_a_twist_is_a_rotation_about_its_line():
    """exp(ω, −ω × c) leaves the pivot c where it is and has the rotation's determinant 1."""
    w, c = np.array([0.3, -0.5, 0.4]), np.array([1.0, 2.0, 3.0])
    pose = exp(np.concatenate([w, np.cross(c, w)]))
    assert np.allclose(pose.apply(c), c, atol=1e-12)
    assert np.allclose(pose.rotation @ pose.rotation.T, np.eye(3), atol=1e-12)
    assert np.trace(pose.rotation) == pytest.approx(1 + 2 * np.cos(np.linalg.norm(w)), abs=1e-12)


def test_what_a_wrong_direction_adds_turns_about_the_same_pivot():
    """The unknowns of a turning axis' direction move the pivot as little as the axis itself does.

    A point p moves by turn × p + shift; at the pivot that is nothing, for the nominal turn and for
    every turn across it.
    """
    pivot = np.array([3.0, -7.0, 25.0])
    motion = Motion("mirror.tip", "mirror", "turn", (1.0, 0.0, 0.0), tuple(pivot))
    nominal, adds = twist_of(motion)
    for turn, shift in (np.split(t, 2) for t in (nominal, *adds[:3])):
        assert np.linalg.norm(turn) == pytest.approx(1.0)
        np.testing.assert_allclose(np.cross(turn, pivot) + shift, 0.0, atol=1e-12)


def test_uncertainties_override_priors_from_general_to_particular(make_bench):
    """ "pitch" holds for all planes, "far.pitch" for one; the particular one wins."""
    bench = make_bench(0)
    model = BenchModel(bench.nominal, bench.axes, {"tilt": 0.02, "far.tilt": 0.001})
    sigma = dict(zip(model.unknowns.names, model.unknowns.sigma, strict=True))
    assert sigma["near.turn_x"] == 0.02
    assert sigma["far.turn_x"] == 0.001


@pytest.mark.parametrize("square", [None, 1e-3])
def test_columns_against_rows_are_as_uncertain_as_is_stated(make_bench, square):
    """The prior of each width is the pitch's; of their ratio the squareness', √2 pitch by default.

    Two independent errors of the size of the pitch differ by √2 of it (JCGM 100, 5.1.2, from
    memory).
    """
    bench = make_bench(0)
    stated = {} if square is None else {"pixel_aspect": square}
    model = BenchModel(bench.nominal, bench.axes, {"pitch": 0.02, **stated})
    seen = model.predict(np.zeros((1, 6)), np.zeros(model.size), derivatives=True)
    by = seen.jacobian[0, 1][:, model.unknowns.block("far", "pitch").slice]
    size = by[2:4] / seen.moments[0, 1, 2:4, None] / 2
    expected = np.hypot(0.02, 0.0 if square is None else square / 2)
    assert np.linalg.norm(size, axis=1) == pytest.approx([expected] * 2)
    ratio = np.linalg.norm(size[0] - size[1])
    assert ratio == pytest.approx(0.02 * np.sqrt(2) if square is None else square)
