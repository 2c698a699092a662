"""A spot that is smaller than a cell of the grid on which a large frame is searched."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import Use

SHAPE = (1536, 2048)


@pytest.mark.parametrize("peak", [300, 3000])
@pytest.mark.parametrize("width", [6, 10, 16, 20])
def test_a_small_spot_in_a_large_frame_is_measured(lamp, rng, width, peak):
    """Centre and both widths within four standard uncertainties, which are small: cells are 22 px.

    Widths are those of the light, ``width`` = d_σ in pixels; pixels are integrated over.
    """
    centre = (700.3 + width, 901.7)
    light = lamp.gaussian(SHAPE, centre, width / 2, width / 2)
    pixels = lamp.camera(light, rng, peak=peak, read=3.0, level=50.0, bits=12)
    profile = measure_beam(Frame(pixels))
    assert profile.use is Use.ALL
    sigma = np.sqrt(np.diag(profile.covariance))
    assert np.all(np.abs(np.array(profile.centroid) - centre) < 4 * sigma[:2])
    assert np.all(np.abs(profile.moments[2:4] - width**2 / 16) < 4 * sigma[2:4])
    assert np.all(sigma[2:4] < 0.2 * width**2 / 16)
