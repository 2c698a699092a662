"""Several wavelengths at once: mirrors send them the same way, diffraction tells them apart."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign.core.errors import UsageError
from autoalign.optics.diffraction import coloured_image, zoom_image
from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Beam
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.pupil import make_pupil
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout, steering_layout

BLUE = ((440e-6, 0.3),)
OPTIC = OffAxisParaboloid(100, 35, 25.4)


def test_shares_sum_to_one_and_the_rms_is_theirs() -> None:
    """The main wavelength gets what the others leave."""
    light = Beam(6.0, 660e-6, (0, 0, 0), (0, 0, 1), others=BLUE)
    assert light.lines == ((660e-6, pytest.approx(0.7)), (440e-6, 0.3))
    assert light.rms_wavelength == pytest.approx(math.sqrt(0.7 * 660e-6**2 + 0.3 * 440e-6**2))
    assert replace(light, others=()).rms_wavelength == 660e-6


@pytest.mark.parametrize("others", [((440e-6, 1.0),), ((-1e-6, 0.2),), ((440e-6, 0.0),)])
def test_impossible_shares_are_refused(others: tuple[tuple[float, float], ...]) -> None:
    """Nothing left for the main one, a negative length and a share of nothing are named."""
    with pytest.raises(UsageError, match="other wavelengths"):
        Beam(6.0, 660e-6, (0, 0, 0), (0, 0, 1), others=others)


def test_second_moments_of_a_focus_are_those_of_the_mixture() -> None:
    """d² = Σ share · (4λρ/(πD))² in the focus of a Gaussian beam.

    Each waist: B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section 3.2
    (focusing), from memory; that second moments add in shares is their definition.
    """
    layout = focuser_layout(OPTIC, 6.0, 660e-6, others=BLUE)
    waists = [4 * w * 100 / (math.pi * 6) for w, _ in layout.light.lines]
    expected = math.sqrt(
        sum(s * d**2 for d, (_, s) in zip(waists, layout.light.lines, strict=True))
    )
    assert float(quantities(layout)["focus.xx"]) == pytest.approx(expected, rel=5e-4)
    pupil = make_pupil(layout, place(layout), 128, "focus")
    image = coloured_image(pupil, layout.light.lines, 0.06, 256)
    p = image.values.sum(axis=0) / image.values.sum()
    assert 4 * math.sqrt(p @ image.x**2) == pytest.approx(expected, rel=5e-3)


def test_a_hard_edged_beam_has_the_sum_of_airy_patterns() -> None:
    """On axis, each colour brings its share of πD²/(4λ²f²).

    M. Born and E. Wolf, Principles of Optics, 7th ed., section 8.5.2, from memory.
    """
    layout = focuser_layout(OPTIC, 8.0, 660e-6, profile="uniform", others=BLUE)
    pupil = make_pupil(layout, place(layout), 192, "focus")
    image = coloured_image(pupil, layout.light.lines, 0.02, 128)
    peak = sum(s * math.pi * 8**2 / (4 * w**2 * 100**2) for w, s in layout.light.lines)
    assert image.peak == pytest.approx(peak, rel=0.01)
    # The dark ring of one colour is lit by the other.
    red = zoom_image(pupil, 0.02, 128)
    ring = np.argmin(np.abs(image.x - 1.2197 * 660e-6 * 100 / 8))
    assert image.values[64, ring] / image.peak > 5 * red.values[64, ring] / red.peak


def test_geometry_does_not_depend_on_the_colour() -> None:
    """Where the core outweighs diffraction, a second colour changes next to nothing."""
    one = collimator_layout(OffAxisParaboloid(150, 35, 30), 1.0, 0.3, 660e-6)
    two = collimator_layout(OffAxisParaboloid(150, 35, 30), 1.0, 0.3, 660e-6, others=BLUE)
    a, b = quantities(one), quantities(two)
    for name in a:
        assert float(a[name]) == pytest.approx(float(b[name]), rel=1e-5, abs=1e-9), name


def test_a_gaussian_beam_of_two_colours_spreads_by_both() -> None:
    """d² = D² + Σ share · (4λz/πD)² on a bench of flats (ISO 11146-1, M² = 1, from memory)."""
    layout = steering_layout(2.0, 660e-6, separation=300.0, others=BLUE)
    far = layout.plane("far")
    z = 100 + 300 + far.distance
    grown = sum(s * (4 * w * z / (math.pi * 2.0)) ** 2 for w, s in layout.light.lines)
    assert float(quantities(layout)["far.xx"]) == pytest.approx(math.sqrt(4.0 + grown), rel=5e-4)
