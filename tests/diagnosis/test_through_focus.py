"""Planes about a focus: where the waists of a beam lie, against the Gaussian beam given."""

from __future__ import annotations

import re

import numpy as np
import pytest

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile
from autoalign.diagnosis.through_focus import focus_words

PLANES = {"inside": 148.0, "focus": 150.0, "beyond": 152.0}


def beam(waist_x, waist_y, turn=0.0, skew=0.0, u=1e-4):
    """Return the quality of an astigmatic Gaussian beam: d² = d0² + Θ² (z − waist)²."""
    profiles = {}
    for name, z in PLANES.items():
        x, y = (((0.03**2 + 0.08**2 * (z - w) ** 2) / 16) for w in (waist_x, waist_y))
        c, s = np.cos(turn), np.sin(turn)
        xx, yy, xy = c * c * x + s * s * y, s * s * x + c * c * y, c * s * (x - y)
        moments = np.array([0, 0, xx, yy, xy, skew * xx**1.5, 0, 0, 0])
        scale = np.array([1e-3, 1e-3, u * xx, u * yy, u * xx, *4 * [0.01 * xx**1.5]])
        profiles[name] = BeamProfile(moments, np.diag(scale**2), 1.0, 0.0, 0.0, 0.0, 1.0)
    return combine(profiles, PLANES)


def test_defocus_and_astigmatism():
    """Waists 0.5 mm beyond and 0.2 mm before the middle plane are found there, 0.7 mm apart."""
    words = focus_words(beam(150.5, 149.8))
    number = r"(0\.\d+) ± (0\.\d+) mm"
    told = re.findall(number, " ".join(words))
    assert [float(value) for value, _ in told] == pytest.approx([0.5, 0.2, 0.7])
    assert all(len(value) == len(u) for value, u in told), "value and interval, digit by digit"
    assert re.search(rf"{number} beyond focus sideways and {number} before focus up", words[0])


def test_a_stigmatic_beam_in_focus():
    """Nothing but that it is in focus."""
    (words,) = focus_words(beam(150.0, 150.0))
    assert "at focus (within " in words


def test_coma_is_a_lopsided_spot():
    """A skewness of 0.4 is named with its side."""
    assert any(
        "lopsided sideways (skewness +0.4" in w for w in focus_words(beam(150, 150, skew=0.4))
    )


@pytest.mark.parametrize("drop", ["inside", "focus"])
def test_two_planes_are_not_enough(drop):
    """Two widths do not give a parabola."""
    whole = beam(150.5, 150.5)
    profiles = {p: v for p, v in whole.profiles.items() if p != drop}
    assert focus_words(combine(profiles, PLANES)) == ()


def test_a_beam_without_a_waist_is_left_unsaid():
    """Widths that bulge in the middle have no focus."""
    profiles = dict(beam(150.0, 150.0).profiles)
    profiles["focus"] = beam(148.0, 148.0).profiles["beyond"]
    assert focus_words(combine(profiles, PLANES)) == ()
