"""The mean of several frames, and its uncertainty."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.frame.average import average
from autoalign.core.errors import UsageError


def frames(lamp, rng, count, jitter=0.0):
    """Return profiles of ``count`` frames whose beam jitters along x by ``jitter`` pixels."""
    return [
        measure_beam(
            Frame(lamp.camera(lamp.gaussian((80, 90), (45 + jitter * rng.normal(), 40), 9, 7), rng))
        )
        for _ in range(count)
    ]


def test_noise_averages_down(lamp, rng):
    """Without jitter nine frames are three times as sure as one, and the truth is inside."""
    profiles = frames(lamp, rng, 9)
    mean = average(profiles)
    assert mean.u_centroid[0] == pytest.approx(profiles[0].u_centroid[0] / 3, rel=0.15)
    assert abs(mean.centroid[0] - 45) < 3 * mean.u_centroid[0]
    assert mean.power == pytest.approx(np.mean([p.power for p in profiles]))


def test_jitter_counts(lamp, rng):
    """Half a pixel of jitter along x is seen in the scatter; y keeps the uncertainty of noise."""
    profiles = frames(lamp, rng, 12, jitter=0.5)
    mean = average(profiles)
    scatter = np.std([p.centroid[0] for p in profiles], ddof=1) / np.sqrt(12)
    assert mean.u_centroid[0] == pytest.approx(scatter * np.sqrt(11 / 9), rel=0.05)
    assert mean.u_centroid[1] == pytest.approx(profiles[0].u_centroid[1] / np.sqrt(12), rel=0.2)


def test_useless_frames_are_left_out(lamp, rng):
    """A dark frame among good ones does not count."""
    good = frames(lamp, rng, 2)
    dark = measure_beam(Frame(lamp.camera(np.zeros((80, 90)), rng)))
    mean = average([good[0], dark, good[1]])
    assert mean.flags == {}
    assert mean.moments == pytest.approx(average(good).moments)
    assert average([dark, dark]).flags == dark.flags


def test_mistakes():
    """Nothing to average is an error."""
    with pytest.raises(UsageError, match="no profiles"):
        average([])
