"""What an ideal bench measures: beam propagation laws, and agreement with the beam room."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.beam.combine import combine
from autoalign.beam.profile import MOMENTS, BeamProfile
from autoalign.optics.ideal import overfill, plane_moments, quantities, quantities_of
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.sources import cone
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout, steering_layout
from autoalign.optics.trace import trace

DEMO = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.12, 660e-6)


def test_quantities_agree_with_the_beam_room() -> None:
    """The same moments give the same named numbers as the measurement's own combination."""
    poses = place(DEMO, {"source.x": 0.4, "source.y": -0.3, "source.z": 1.0, "mirror.tip": 2e-3})
    moments = plane_moments(DEMO, poses)
    distances = {p.name: p.distance for p in DEMO.planes}
    ours = quantities_of(moments, distances)
    profiles = {
        name: BeamProfile(
            np.array([float(m[k]) for k in MOMENTS]),
            np.zeros((9, 9)),
            float(m["power"]),
            0,
            0,
            0,
            1,
        )
        for name, m in moments.items()
    }
    theirs = combine(profiles, distances)
    assert set(theirs.names) == set(ours)
    for name in theirs.names:
        assert float(ours[name]) == pytest.approx(theirs[name], rel=1e-9, abs=1e-12), name


def test_a_collimated_gaussian_beam_spreads_by_its_own_diffraction() -> None:
    """d² = D² + (4λz/πD)² at each plane of a bench of flats (ISO 11146-1, M² = 1, from memory)."""
    layout = steering_layout(2.0, 660e-6, separation=300.0)
    found = quantities(layout)
    for plane in layout.planes:
        z = 100 + 300 + plane.distance
        expected = math.hypot(2.0, 4 * 660e-6 * z / (math.pi * 2.0))
        assert float(found[f"{plane.name}.xx"]) == pytest.approx(expected, rel=5e-4)
        assert float(found[f"{plane.name}.yy"]) == pytest.approx(expected, rel=5e-4)


def test_a_focused_gaussian_beam_has_its_diffraction_limited_waist() -> None:
    """d₀ = 4λρ/(πD) in the focus.

    B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section 3.2 (focusing), from
    memory.
    """
    layout = focuser_layout(OffAxisParaboloid(100, 35, 25.4), 6.0, 660e-6)
    expected = 4 * 660e-6 * 100 / (math.pi * 6)
    assert float(quantities(layout)["focus.xx"]) == pytest.approx(expected, rel=5e-4)


def test_a_single_mode_source_diverges_by_diffraction() -> None:
    """660 nm, f 12 mm, NA 0.08: D = 2 f NA = 1.92 mm, half-angle 2λ/(πD) = 0.22 mrad.

    B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section 3.1, from memory.
    """
    layout = collimator_layout(
        OffAxisParaboloid(12, 30, 8), 0.0, 0.08, 660e-6, emission="gaussian",
        planes=(("near", 12.0), ("far", 50000.0)),
    )  # fmt: skip
    found = quantities(layout)
    near, far = float(found["near.yy"]), float(found["far.yy"])
    assert near == pytest.approx(1.92, rel=0.01)
    half = math.sqrt(far**2 - near**2) / (50000 - 12) / 2
    assert half == pytest.approx(0.22e-3, abs=0.003e-3)


def test_an_extended_source_grows_by_its_angle() -> None:
    """d² = D² + (Θz)² between the planes of an overfilled mirror, Θ = d/ρ.

    The mirror's aperture is the stop there, so that z counts from the mirror.
    """
    found = quantities(DEMO)
    near, far = float(found["near.yy"]), float(found["far.yy"])
    theta = math.sqrt((far**2 - near**2) / (2400**2 - 400**2))
    assert theta == pytest.approx(math.hypot(0.1, 2 * 660e-6 / (math.pi * 0.12)) / 150, rel=0.05)


def test_more_rays_change_nothing() -> None:
    """The quadrature has converged: four times the rays agree to 1e-8 mm."""
    poses = place(DEMO, {"source.x": 0.5, "mirror.tip": 2e-3})
    few, many = plane_moments(DEMO, poses), plane_moments(DEMO, poses, 12, 32)
    for name, m in few.items():
        for key, value in m.items():
            assert float(value) == pytest.approx(float(many[name][key]), abs=2e-8), (name, key)


def test_moments_agree_with_a_dense_clipped_trace() -> None:
    """Millions of rays stopped by the aperture give the same moments, to their own error."""
    positions = {"source.x": 0.5, "mirror.tip": 2e-3}
    poses = place(DEMO, positions)
    point = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.0, 0.12, 660e-6)
    out = trace(point, poses, cone(point.light, 400, 401, "even"))  # type: ignore[arg-type]
    w = out.power / out.power.sum()
    z = poses["far"].position[2]
    x = out.x + (z - out.z) / out.n * out.l
    found = plane_moments(point, poses)["far"]
    assert float(found["x"]) == pytest.approx(w @ x, abs=0.02)
    assert float(found["xx"]) == pytest.approx(w @ (x - w @ x) ** 2, rel=2e-3)
    assert float(found["power"]) == pytest.approx(out.power.sum(), abs=1e-3)


def test_overfill_knows_both_kinds_of_edge() -> None:
    """The demo bench overfills; a small NA does not; a hard-edged cone is all or nothing."""
    optic = OffAxisParaboloid(150, 35, 30)
    assert 0.1 < overfill(DEMO) < 0.2
    assert overfill(collimator_layout(optic, 0.1, 0.02, 660e-6)) < 1e-6
    for na, expected in ((0.05, 0.0), (0.15, 1.0)):
        layout = collimator_layout(optic, 0.0, na, 660e-6, emission="uniform")
        assert overfill(layout) == expected


@pytest.mark.parametrize("emission", ["uniform", "gaussian"])
def test_underfilled_sources_are_followed_in_their_own_far_field(emission: str) -> None:
    """A hard cone of sin ψ = NA arrives as a disk of its exact width and all of its power."""
    layout = collimator_layout(
        OffAxisParaboloid(150, 35, 30),
        0.0,
        0.04,
        660e-6,
        emission=emission,  # type: ignore[arg-type]
    )
    found = quantities(layout)
    assert float(found["near.power"]) == pytest.approx(1, abs=3e-3)
    assert float(found["near.yy"]) == pytest.approx(2 * 150 * 0.04, rel=0.02)
