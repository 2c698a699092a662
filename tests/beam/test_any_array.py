"""Any array gives a result or one of our errors, nothing else."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import given, settings
from hypothesis import strategies as st
from hypothesis.extra import numpy as arrays

from autoalign import AlignError, Frame, FrameError, UsageError, measure_beam
from autoalign.beam.profile import FlagKind, Use

KINDS = (np.uint8, np.uint16, np.float32, np.float64)
STRANGE = ("b1", "i1", "i8", "u4", "f2", "c8", "O", "U3", "M8[s]", "u2", "f4")


def survives(pixels, how=None, **options):
    """Measure ``pixels``; a result must be finite and its covariance not negative."""
    try:
        p = measure_beam(Frame(pixels, **options), **(how or {}))
    except AlignError:
        return None
    assert np.all(np.isfinite(p.moments))
    assert np.all(np.isfinite(p.covariance))
    assert np.all(np.diag(p.covariance) >= 0)
    assert np.isfinite([p.power, p.power_uncertainty, p.background, p.noise, p.peak]).all()
    return p


def random_options(rng, pixels):
    """Return options of a measurement, most often none."""
    how = {}
    if rng.random() < 0.1:
        how["background"] = rng.normal(5, 20)
        how["background_uncertainty"] = rng.exponential(1)
    if rng.random() < 0.1:
        how["gain"] = rng.exponential(1)
    if rng.random() < 0.1:
        how["pitch_uncertainty"] = rng.exponential(0.01)
    if rng.random() < 0.1 and pixels.dtype.type in KINDS and pixels.ndim == 2 and pixels.size:
        other = Frame(np.roll(pixels, rng.integers(0, 3)))
        how["dark" if rng.random() < 0.5 else "previous"] = other
    return how


@pytest.mark.slow
@settings(max_examples=250, deadline=None)
@given(st.data())
def test_any_array(data):
    """Shapes, kinds and values of every sort, NaN and infinities among them."""
    kind = data.draw(st.sampled_from([*KINDS, np.int32, np.bool_, np.complex64]))
    shape = data.draw(arrays.array_shapes(min_dims=0, max_dims=3, min_side=0, max_side=24))
    survives(data.draw(arrays.arrays(kind, shape)))


def random_array(rng):
    """Return an array of random shape, kind, layout and contents."""
    shape = tuple(rng.integers(1, 40, 2))
    rare = rng.random()
    if rare < 2e-3:
        return np.zeros(rng.integers(0, 4, rng.integers(0, 5)), STRANGE[rng.integers(len(STRANGE))])
    if rare < 4e-3:
        shape = tuple(rng.permutation([rng.integers(1, 4), rng.integers(1, 20_000)]))
    elif rare < 4.2e-3:
        shape = tuple(rng.integers(500, 1500, 2))
    kind = KINDS[rng.integers(4)]
    style = rng.integers(8)
    if style == 0:
        pixels = np.full(shape, rng.integers(0, 256))
    elif style == 1:
        pixels = rng.integers(0, 256, shape)
    elif style == 2:
        pixels = rng.integers(0, 256, shape) * (rng.random(shape) < 0.02)
    else:
        y, x = np.mgrid[: shape[0], : shape[1]]
        cx, cy = rng.uniform(-5, 45, 2)
        w = 10 ** rng.uniform(-1, 2, 2)
        light = np.exp(-(((x - cx) / w[0]) ** 2) - ((y - cy) / w[1]) ** 2)
        pixels = 250 * light * rng.random() + rng.normal(5, 3 * rng.random(), shape)
        pixels = pixels.clip(0, 255)
    pixels = pixels.astype(kind)
    if kind in (np.float32, np.float64):
        pixels = pixels * kind(10.0 ** rng.integers(-38, 38))
        if rng.random() < 0.2:
            bad = (np.nan, np.inf, -np.inf, 1e38)[rng.integers(4)]
            pixels[rng.integers(shape[0]), rng.integers(shape[1])] = bad
    if rng.random() < 0.2:
        pixels = pixels[:: rng.integers(1, 3), :: -rng.integers(1, 3)]
    pixels.flags.writeable = bool(rng.random() < 0.5)
    return pixels


@pytest.mark.filterwarnings("ignore:overflow encountered in (multiply|cast)")
def test_three_hundred_arrays():
    """Constant, sparse, noisy, tiny, huge, strided, read-only, absurdly scaled arrays."""
    rng = np.random.default_rng(7)
    for _ in range(300):
        survives(random_array(rng), pitch=10.0 ** rng.integers(-4, 3))


@pytest.mark.campaign
@pytest.mark.timeout(36000)
@pytest.mark.filterwarnings("ignore:overflow encountered in (multiply|cast)")
@pytest.mark.parametrize("seed", range(4))
def test_a_million_arrays(seed):
    """The same a million times in all, also strange, long and large ones, with options."""
    rng = np.random.default_rng([8, seed])
    measured = 0
    for _ in range(250_000):
        pixels = random_array(rng)
        how = random_options(rng, pixels)
        measured += survives(pixels, how, pitch=10.0 ** rng.integers(-4, 3)) is not None
    assert measured > 150_000


def test_not_finite_pixels_are_counted_and_placed():
    """The error says how many pixels are bad and where the first is."""
    pixels = np.zeros((20, 30))
    pixels[4, 7] = np.nan
    pixels[5, 8] = np.inf
    with pytest.raises(FrameError, match=r"2 of 600 pixels .* row 4, column 7"):
        measure_beam(Frame(pixels))


def test_a_dark_frame_is_data():
    """All zero, all equal and pure noise: flag DARK, good for nothing, somewhere in the frame."""
    noise = np.random.default_rng(1).normal(10, 2, (80, 100)).astype(np.float32)
    for pixels in (np.zeros((80, 100), np.uint8), np.full((80, 100), 7, np.uint16), noise):
        p = measure_beam(Frame(pixels))
        assert FlagKind.DARK in p.flags
        assert p.use is Use.NOTHING
        assert p.centroid == (49.5, 39.5)
        assert p.u_centroid[0] == pytest.approx(100 / np.sqrt(12))


def test_a_frame_saturated_throughout():
    """Nothing but the top value: saturated, good for nothing."""
    p = measure_beam(Frame(np.full((80, 100), 255, np.uint8)))
    assert list(p.flags) == [FlagKind.SATURATED]
    assert p.use is Use.NOTHING


def test_options_out_of_range():
    """Negative uncertainty or gain, background not a number, dark frame of another shape."""
    frame = Frame(np.zeros((8, 9), np.uint8))
    for options in ({"gain": -1.0}, {"background_uncertainty": -1.0}, {"background": np.nan}):
        with pytest.raises(UsageError, match=next(iter(options))):
            measure_beam(frame, **options)
    with pytest.raises(FrameError, match="dark frame has shape"):
        measure_beam(frame, dark=Frame(np.zeros((9, 8), np.uint8)))
