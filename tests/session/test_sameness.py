"""One camera at two planes is no measurement of either."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.adapters import FunctionDetector
from autoalign.core.frames import Frame
from autoalign.run.align import align
from autoalign.session import Status
from autoalign.spec.duplicate_frames import duplicate_frames
from autoalign.spec.terms import QuantityTerm, Spec

SPEC = Spec((QuantityTerm("near.x", 1.0), QuantityTerm("far.x", 1.0)))


def picture(seed=0, middle=40.0):
    """Return noisy pixels with a round beam."""
    y, x = np.mgrid[:80, :80]
    beam = 900 * np.exp(-((x - middle) ** 2 + (y - 40) ** 2) / 128)
    noise = np.random.default_rng(seed).normal(100, 3, beam.shape)
    return (beam + noise).astype(np.uint16)


def looked_at(bench, near, far):
    """Return ``bench`` with a camera at each of two planes, which give the pixels given."""
    cameras = {
        name: FunctionDetector(name, name, lambda p=p: p, pitch=0.1, clock=bench.clock)
        for name, p in (("near", near), ("far", far))
    }
    return replace(bench, detectors=cameras, spec=SPEC)


@pytest.mark.parametrize("array", ["the same", "a copy"])
def test_one_camera_at_two_planes_is_no_look(make_bench, array):
    """However well the two agree, nothing is called in spec, and nothing is moved."""
    pixels = picture()
    bench = looked_at(make_bench(), pixels, pixels if array == "the same" else pixels.copy())
    result = align(bench, strategy="response-matrix")
    assert not result.in_spec
    assert result.status is Status.GIVEN_UP
    assert "frames of near and far are identical in every pixel" in result.reason
    assert result.after.verdict is None
    assert (result.measurements, result.moves) == (1, 0)


def test_two_cameras_that_see_the_same_beam_are_two(make_bench):
    """Their noise differs: that is a look, and in spec where nothing else is at two planes."""
    bench = looked_at(make_bench(), picture(0), picture(1))
    seen = align(bench, strategy="response-matrix").before
    assert set(seen.profiles) == {"near", "far"}
    assert "identical in every pixel" not in seen.failure


@pytest.mark.parametrize("level", [0, 100])
def test_pictures_without_anything_in_them_accuse_nobody(level):
    """Two covered cameras without noise give the same picture."""
    dark = Frame(np.full((8, 8), level, np.uint16))
    assert duplicate_frames({"near": [dark], "far": [dark]}) == ()


def test_any_two_of_several_exposures_give_it_away():
    """A camera that is read in turn gives one picture to both now and then."""
    a, b, c = (Frame(picture(k)) for k in range(3))
    assert duplicate_frames({"near": [a, b], "far": [c, b]}) == ("near", "far")
    assert duplicate_frames({"near": [a, b], "far": [c]}) == ()
