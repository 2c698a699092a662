"""Second moments of beams that a hard aperture has cut."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign import Frame, measure_beam


def truncated(x, y, w, radius):
    """Return a Gaussian of 1/e² radius ``w`` behind a hole of ``radius``."""
    square = x * x + y * y
    return np.exp(-2 * square / w**2) * (square <= radius**2)


# Width after over width before a centred hole of radius R, in w: derived here, by the
# second moment of a truncated Gaussian that the test works out below.
@pytest.mark.parametrize(
    ("radius", "ratio"), [(1.0, 0.8288), (1.5, 0.9744), (2.0, 0.9987), (3.0, 1.0000)]
)
def test_a_round_hole_narrows_a_gaussian(lamp, radius, ratio):
    """What is left measures narrower by the known ratio, to 1e-3."""
    w = 40.0
    pixels = lamp.sampled(
        lambda x, y: truncated(x, y, w, radius * w), (420, 430), (214.3, 208.8), 8
    )
    found = measure_beam(Frame(200 * pixels))
    assert found.width_major / (2 * w) == pytest.approx(ratio, abs=1e-3)
    s = 2 * radius**2
    exact = math.sqrt(1 - s * math.exp(-s) / (1 - math.exp(-s)))
    assert found.width_minor / (2 * w) == pytest.approx(exact, abs=1e-3)


def test_a_nearly_round_beam_has_one_width(lamp):
    """Above 0.87 the beam may be treated as round: 2√2 (⟨x²⟩ + ⟨y²⟩)^½.

    ISO 11146-1, from memory.
    """
    p = measure_beam(Frame(200 * lamp.gaussian((300, 310), (151.2, 148.9), 40, 36, 0.4)))
    assert p.ellipticity == pytest.approx(0.9, abs=1e-3)
    round_width = 2 * math.sqrt(2) * math.sqrt(p.moments[2] + p.moments[3])
    assert round_width == pytest.approx(math.hypot(80, 72) / math.sqrt(2), rel=1e-3)
    assert p.width_minor < round_width < p.width_major
