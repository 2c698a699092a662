"""The pupil made by aiming rays: path, amplitude and edge are those of the exact trace."""

from __future__ import annotations

import math
from typing import Literal

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError
from autoalign.optics.diffraction import strehl
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import IDENTITY_POSE, Array, place
from autoalign.optics.pupil import make_pupil
from autoalign.optics.rays import Rays
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout, relay_layout
from autoalign.optics.wavefront import on_sphere


@pytest.mark.slow
@pytest.mark.parametrize("alpha", [15.0, 60.0, 90.0, 120.0])
def test_an_aligned_collimator_has_a_flat_pupil_with_the_skewed_irradiance(alpha: float) -> None:
    """W = 0; the mirror's disk is covered; irradiance is 1/(f(1 + q))² of a uniform source."""
    optic = OffAxisParaboloid(100, alpha, 20)
    layout = collimator_layout(optic, 0.0, 0.3, 660e-6, emission="uniform")
    pupil = make_pupil(layout, place(layout), 96)
    assert np.max(np.abs(pupil.path)) < 1e-11
    area = np.sum(pupil.coverage) * pupil.step**2
    assert area == pytest.approx(math.pi * 10**2, rel=1e-3)
    whole = pupil.coverage == 1
    y, x = np.meshgrid(pupil.axis, pupil.axis, indexing="ij")
    # The grid's middle is that of the beam, here the mirror's centre to a part of a cell.
    x = x[whole] - np.sum(x * pupil.coverage) / np.sum(pupil.coverage)
    f, h = optic.parent_focal_length, optic.off_axis_distance
    expected = 1 / (f * (1 + ((x + h) ** 2 + y[whole] ** 2) / (4 * f * f)))
    ratio = pupil.amplitude[whole] / expected
    assert np.ptp(ratio) / ratio.mean() < 2e-3


def test_a_figure_error_appears_in_the_pupil() -> None:
    """A height error e lengthens the path by −2 e cos²b: light meets a raised surface earlier."""
    optic = OffAxisParaboloid(100, 60, 20)
    layout = collimator_layout(optic, 0.0, 0.4, 660e-6)

    def astigmatic(x: Array, y: Array) -> tuple[Array, Array, Array]:
        scale = 1e-4 / 10**2
        return scale * (x * x - y * y), 2 * scale * x, -2 * scale * y

    pupil = make_pupil(layout, place(layout), 64, figures={"mirror": astigmatic})
    found = pupil.wavefront().analyse(10)
    assert found[6] == pytest.approx(
        -2 * 1e-4 * math.cos(optic.incidence) ** 2 / math.sqrt(6), rel=0.02
    )


def test_rays_leave_the_reference_sphere_at_its_radius() -> None:
    """Points lie on the sphere around the image point, and a stigmatic bundle has one path."""
    rng = np.random.default_rng(4)
    d = rng.normal(size=(20, 3)) * 0.1 + np.array([0.0, 0.0, 1.0])
    d /= np.linalg.norm(d, axis=1)[:, None]
    centre = np.array([0.3, -0.2, 0.0])
    rays = Rays.from_vectors(centre - 70 * d, d)
    x, y, path = on_sphere(rays, IDENTITY_POSE, 50.0, (0.3, -0.2))
    assert np.allclose(np.stack([x, y], -1), -50 * d[:, :2], atol=1e-12)
    assert np.allclose(path, 20, atol=1e-12)


def relay(orientation: Literal["cancelling", "adding"]) -> Layout:
    """Two equal 35° sections, a small cone."""
    optic = OffAxisParaboloid(100, 35, 25.4)
    return relay_layout(optic, optic, 0.0, 0.05, 660e-6, orientation, emission="uniform")


@pytest.mark.slow
def test_the_relays_orientation_shows_in_the_strehl_ratio() -> None:
    """Source 0.3 mm aside: nearly perfect when aberrations cancel, poor when they add."""
    ratios = []
    for orientation in ("cancelling", "adding"):
        layout = relay(orientation)  # type: ignore[arg-type]
        pupil = make_pupil(layout, place(layout, {"source.x": 0.3}), 64, "focus")
        assert math.hypot(*pupil.image_centre) == pytest.approx(0.3, rel=0.01)
        ratios.append(strehl(pupil))
    assert ratios[0] > 0.999
    assert ratios[1] < 0.5


def test_added_aberration_is_twice_one_mirrors() -> None:
    """ "adding" has twice the astigmatism T a² t/(2ρ²) of a collimator's displaced source."""
    t, rho = 0.1, 100.0
    layout = relay("adding")
    pupil = make_pupil(layout, place(layout, {"source.x": t}), 64, "focus")
    a = rho * 0.05
    single = math.tan(math.radians(17.5)) * a**2 * t / (2 * rho**2)
    found = pupil.wavefront().analyse(10, radius=a)
    assert abs(found[6]) * math.sqrt(6) == pytest.approx(2 * single, rel=0.02)


def test_a_point_of_the_source_goes_where_the_magnification_says() -> None:
    """The light from 20 µm off the source's middle is imaged 20 µm off (equal mirrors)."""
    layout = relay("cancelling")
    middle = make_pupil(layout, place(layout), 32, "focus").image_centre
    aside = make_pupil(layout, place(layout), 32, "focus", point=(0.02, 0.0)).image_centre
    assert math.hypot(aside[0] - middle[0], aside[1] - middle[1]) == pytest.approx(0.02, rel=1e-3)


def test_a_tilted_beam_is_imaged_at_focal_length_times_angle() -> None:
    """A beam tilted by θ comes to its focus ρθ away."""
    layout = focuser_layout(OffAxisParaboloid(100, 35, 25.4), 5.0, 660e-6)
    pupil = make_pupil(layout, place(layout), 32, "focus", point=(0.0, 1e-3))
    assert abs(pupil.image_centre[1]) == pytest.approx(0.1, rel=5e-3)
    # The wave is flat across its own front, so that no tilt is left about that point.
    assert np.hypot(*pupil.wavefront().analyse(6).tilt) < 1e-5


def test_an_unknown_image_plane_is_named() -> None:
    """The error lists the planes there are."""
    layout = focuser_layout(OffAxisParaboloid(100, 35, 25.4), 5.0, 660e-6)
    with pytest.raises(UnknownNameError, match="inside"):
        make_pupil(layout, place(layout), 32, "foucs")
