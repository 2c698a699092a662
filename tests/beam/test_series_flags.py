"""Flags that compare exposures, and what a clipped frame still says of its beam."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import FlagKind, Use

SHAPE, CENTRE = (120, 140), (71.3, 58.6)


@pytest.fixture
def frame(lamp, rng):
    """Return one clean frame, number 7, begun at 2 s."""
    pixels = lamp.camera(lamp.gaussian(SHAPE, CENTRE, 14, 11), rng)
    return Frame(pixels, started=2.0, ended=2.1, sequence=7)


def test_a_frozen_frame_is_named(frame):
    """The same pixels once more, under a new number and time: frozen, good for nothing."""
    again = replace(frame, started=3.0, ended=3.1, sequence=8)
    p = measure_beam(again, previous=frame)
    assert p.flags[FlagKind.FROZEN].use is Use.NOTHING


@pytest.mark.parametrize(
    "changes",
    [{"sequence": 7, "started": 3.0}, {"sequence": 8, "started": 2.0}, {"sequence": 6}],
)
def test_a_stale_frame_is_named(lamp, rng, frame, changes):
    """A number or a begin that is not later than that of the frame before."""
    other = lamp.camera(lamp.gaussian(SHAPE, CENTRE, 14, 11), rng)
    p = measure_beam(replace(frame, pixels=other, **changes), previous=frame)
    assert p.flags[FlagKind.STALE].use is Use.NOTHING
    assert "after number 7" in p.flags[FlagKind.STALE].evidence or "2 s" in str(p.flags)


def test_a_fresh_frame_is_not(lamp, rng, frame):
    """The next frame of a still beam raises nothing."""
    other = lamp.camera(lamp.gaussian(SHAPE, CENTRE, 14, 11), rng)
    assert (
        measure_beam(replace(frame, pixels=other, started=3.0, sequence=8), previous=frame).flags
        == {}
    )


def test_a_change_of_the_ambient_light_is_named(lamp, rng, frame):
    """Five pixel values more background than in the reference: named, widths still good."""
    reference = measure_beam(frame)
    light = lamp.gaussian(SHAPE, CENTRE, 14, 11)
    lit = Frame(lamp.camera(light, rng, level=13.3))
    p = measure_beam(lit, reference=reference)
    assert p.flags[FlagKind.AMBIENT].use is Use.ALL
    assert "13.3" in p.flags[FlagKind.AMBIENT].evidence
    assert p.width_x == pytest.approx(28, abs=4 * p.u_width_major)
    still = Frame(lamp.camera(light, rng))
    assert FlagKind.AMBIENT not in measure_beam(still, reference=reference).flags


def test_a_dark_frame_takes_its_pattern_off(lamp, rng):
    """A fixed pattern as strong as the beam goes with the dark frame."""
    pattern = 40 * np.cos(np.arange(SHAPE[1]) / 7.0) ** 2
    light = lamp.gaussian(SHAPE, CENTRE, 14, 11)
    bright = Frame(lamp.camera(light + pattern / 100, rng, peak=100))
    dark = Frame(lamp.camera(np.zeros(SHAPE) + pattern / 100, rng, peak=100))
    p = measure_beam(bright, dark=dark)
    assert p.centroid == pytest.approx(CENTRE, abs=0.15)
    assert abs(p.width_minor - 22) < 3 * p.u_width_minor < 1.5
    assert abs(p.width_major - 28) < 3 * p.u_width_major < 1.8


def test_a_given_background_is_kept(lamp, rng):
    """A level told from outside is used as it stands, and its uncertainty widens the widths."""
    frame = Frame(lamp.camera(lamp.gaussian(SHAPE, CENTRE, 14, 11), rng))
    sure = measure_beam(frame, background=8.3)
    unsure = measure_beam(frame, background=8.3, background_uncertainty=0.03)
    assert sure.background == 8.3
    assert unsure.widths == pytest.approx(sure.widths, rel=1e-3)
    assert unsure.u_width_major > 1.5 * sure.u_width_major


@pytest.mark.parametrize("cut", [44, 52, 60, 66])
def test_a_beam_cut_by_the_sensor_knows_how_little_it_knows(lamp, rng, cut):
    """However much is cut off, the true centroid lies within three stated uncertainties."""
    light = lamp.gaussian((120, 140), (71.3, 58.6), 14, 11)
    p = measure_beam(Frame(lamp.camera(light, rng)[:, cut:]))
    assert abs(p.centroid[0] - (71.3 - cut)) < 3 * p.u_centroid[0]
    u_width_x = 8 * np.sqrt(p.covariance[2, 2]) / p.width_x
    assert abs(p.width_x - 28) < 3 * u_width_x
    if cut >= 60:
        assert p.use in (Use.POSITION, Use.DIRECTION)


def test_widths_change_smoothly_with_the_beam(lamp):
    """A beam that moves by hundredths of a pixel keeps its width: no jumps of the window."""
    widths = []
    for k in range(12):
        pixels = lamp.gaussian((110, 120), (58.0 + 0.01 * k, 54.3), 15, 10, 0.4)
        widths.append(measure_beam(Frame(100 * pixels)).widths)
    assert np.ptp(widths, axis=0) == pytest.approx([0, 0], abs=3e-5)
