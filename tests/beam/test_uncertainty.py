"""Stated uncertainties hold: the truth lies in 95 % intervals in 93 to 97 % of noisy frames."""

from __future__ import annotations

from typing import ClassVar

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.combine import combine
from autoalign.beam.frame.detection import first_noise
from autoalign.beam.frame.moments import central_moments, influence
from autoalign.beam.frame.window import Window, window_sums
from autoalign.beam.profile import Use

SHAPE = (120, 150)
LEVELS = (
    # peak and gain in pixel values, read noise in pixel values, bits
    (200.0, 0.05, 1.0, 8),
    (150.0, 0.8, 1.5, 8),
    (60.0, 0.1, 1.5, 8),
    (30.0, 0.2, 1.2, 8),
    (3000.0, 0.4, 2.5, 12),
    (300.0, 0.4, 3.0, 12),
)
DISTANCES = {"near": 400.0, "far": 2400.0}


class Bench:
    """Two planes with a turned elliptical Gaussian each, seen by noisy cameras of 8 and 12 bits."""

    WIDTHS: ClassVar = {"near": (16.0, 12.0, 0.3), "far": (18.0, 11.0, 0.35)}

    def __init__(self, lamp, seed, variants=8):
        self.lamp, self.rng = lamp, np.random.default_rng(seed)
        self.light = {}
        for plane, (wx, wy, turn) in self.WIDTHS.items():
            centres = np.array([75, 60]) + self.rng.uniform(-4, 4, (variants, 2))
            self.light[plane] = [(c, lamp.gaussian(SHAPE, tuple(c), wx, wy, turn)) for c in centres]

    def look(self, peak, gain, read, bits):
        """Return (error, standard uncertainty) of each number, by name."""
        profiles, centres = {}, {}
        for plane, variants in self.light.items():
            centre, light = variants[self.rng.integers(len(variants))]
            level = 8 + self.rng.uniform(-0.5, 0.5)
            pixels = self.lamp.camera(light, self.rng, peak, gain, read, level, bits)
            profiles[plane] = measure_beam(Frame(pixels, bit_depth=bits))
            centres[plane] = centre
        p, (wx, wy, _) = profiles["near"], self.WIDTHS["near"]
        errors = {
            "centroid x": (p.centroid[0] - centres["near"][0], p.u_centroid[0]),
            "centroid y": (p.centroid[1] - centres["near"][1], p.u_centroid[1]),
            "width major": (p.width_major - 2 * wx, p.u_width_major),
            "width minor": (p.width_minor - 2 * wy, p.u_width_minor),
            "ellipticity": (p.ellipticity - wy / wx, p.u_ellipticity),
        }
        parameters, truth = combine(profiles, DISTANCES), self.truth(centres)
        for name, value in truth.items():
            errors[name] = (parameters[name] - value, parameters.u(name))
        return errors

    def truth(self, centres):
        """Return pointing and divergence of the light itself."""
        tensors = {}
        for plane, (wx, wy, turn) in self.WIDTHS.items():
            c, s = np.cos(turn), np.sin(turn)
            axes = np.array([[c, -s], [s, c]])
            tensors[plane] = axes @ np.diag([2 * wx, 2 * wy]) @ axes.T
        growth = (tensors["far"] - tensors["near"]) / 2000
        pointing = (centres["far"] - centres["near"]) / 2000
        return {
            "pointing_x": pointing[0], "pointing_y": pointing[1],
            "divergence_xx": growth[0, 0], "divergence_yy": growth[1, 1],
            "divergence_xy": growth[0, 1],
        }  # fmt: skip


def coverage(lamp, levels, count, seed):
    """Return the share of 95 % intervals that hold the truth by level, then by name.

    ``count`` pairs of frames at each of ``levels``.
    """
    bench = Bench(lamp, seed)
    shares = {}
    for level in levels:
        inside = {}
        for _ in range(count):
            for name, (error, u) in bench.look(*level).items():
                inside.setdefault(name, []).append(abs(error) < 1.96 * u)
        shares[level] = {name: float(np.mean(hits)) for name, hits in inside.items()}
    return shares


def table(shares):
    """Return the shares by level in words, and over all levels."""
    names = list(next(iter(shares.values())))
    levels = "".join(f"{f'{peak:g}/{read:g}':>9}" for peak, _, read, _ in shares)
    lines = ["peak/read noise " + levels + "      all"]
    for name in names:
        each = [s[name] for s in shares.values()]
        lines.append(f"{name:16}" + "".join(f"{v:9.3f}" for v in [*each, np.mean(each)]))
    return "\n".join(lines)


@pytest.mark.slow
def test_intervals_hold_on_a_few_frames(lamp):
    """Over 120 pairs of frames every share is what 95 % gives with 99.9 % probability."""
    shares = coverage(lamp, LEVELS, 20, 5)
    for name in shares[LEVELS[0]]:
        assert np.mean([s[name] for s in shares.values()]) >= 0.875, name


@pytest.mark.campaign
@pytest.mark.timeout(7200)
def test_intervals_hold(lamp, capsys):
    """Over 1500 pairs of frames at each light level every share lies between 93 and 97 %.

    0.9 % aside allowed for chance in 60 shares (1.6 standard deviations of one); none in the mean.
    """
    shares = coverage(lamp, LEVELS, 1500, 6)
    with capsys.disabled():
        print("\n" + table(shares))  # noqa: T201
    for level, found in shares.items():
        for name, share in found.items():
            assert 0.921 <= share <= 0.979, (level, name, share)
    for name in shares[LEVELS[0]]:
        assert 0.93 <= np.mean([s[name] for s in shares.values()]) <= 0.97, name


def faint(lamp, rng, shape, w, ratio, count):
    """Return (error, uncertainty) of the numbers of faint beams that have widths, (n, 5, 2).

    ``ratio`` of the peak to the noise of a pixel, 3 pixel values.
    """
    found = []
    for _ in range(count):
        x = shape[1] * (0.5 + rng.uniform(-0.1, 0.1))
        y = shape[0] * (0.5 + rng.uniform(-0.1, 0.1))
        light = lamp.gaussian(shape, (x, y), w, 0.8 * w)
        p = measure_beam(Frame(lamp.camera(light, rng, 3 * ratio, 0.1, 3.0, 20.0)))
        if p.use is Use.ALL and p.has_widths:
            found.append([
                (p.centroid[0] - x, p.u_centroid[0]), (p.centroid[1] - y, p.u_centroid[1]),
                (p.width_major - 2 * w, p.u_width_major),
                (p.width_minor - 1.6 * w, p.u_width_minor),
                (p.ellipticity - 0.8, p.u_ellipticity),
            ])  # fmt: skip
    return np.array(found).reshape(-1, 5, 2)


FAINT = [
    # frame, pixels; radius w, pixels; peaks over the noise of a pixel
    ((150, 180), 22.0, (2.0, 3.0, 4.0, 6.0)),
    ((480, 640), 40.0, (2.0, 3.0, 4.0)),
    ((480, 640), 90.0, (2.0, 3.0, 4.0)),
]


@pytest.mark.slow
def test_the_width_of_a_faint_beam_is_not_what_noise_makes_it(lamp, rng):
    """Peaks of 2 σ on 44 px and of 3 σ on 80 px: whatever width noise makes, u covers the gap."""
    for shape, w, ratio in (((150, 180), 22.0, 2.0), ((480, 640), 40.0, 3.0)):
        good = faint(lamp, rng, shape, w, ratio, 24)
        assert len(good) >= 6
        assert np.mean(np.abs(good[..., 0]) < 1.96 * good[..., 1]) > 0.88


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_faint_beams_called_good(lamp, capsys):
    """Peaks of 2 to 6 times the noise: over all that have widths 90 % of 95 % intervals hold.

    Noise takes part in where the window ends, so that a first-order uncertainty is a little small.
    """
    rng, lines, every = np.random.default_rng(9), [], []
    for shape, w, ratios in FAINT:
        for ratio in ratios:
            good = faint(lamp, rng, shape, w, ratio, 250)
            inside = np.abs(good[..., 0]) < 1.96 * good[..., 1]
            shares = "".join(f"{v:7.3f}" for v in (inside.mean(axis=0) if len(good) else ()))
            lines.append(f"{shape} w {w:g} peak {ratio:g} σ: good {len(good)} of 250 {shares}")
            every.append(inside)
    inside = np.concatenate(every)
    lines.append(f"all: {len(inside)} good " + "".join(f"{v:7.3f}" for v in inside.mean(axis=0)))
    with capsys.disabled():
        print("\n" + "\n".join(lines))  # noqa: T201
    assert np.all(inside.mean(axis=0) > 0.9)


def test_noise_is_that_of_the_dark(rng):
    """Small blocks, and runs of differences, do not make the noise of a frame look smaller."""
    frames = [rng.normal(20, 1.5, (120, 150)) for _ in range(12)]
    assert np.mean([first_noise(f) for f in frames]) == pytest.approx(1.5, rel=0.01)
    y, x = np.mgrid[:120, :150]
    light = 100 * np.exp(-2 * ((x - 74) ** 2 + (y - 61) ** 2) / 14**2)
    seen = [measure_beam(Frame(f + light)).noise for f in frames]
    assert np.mean(seen) == pytest.approx(1.5, rel=0.01)


def test_scattered_light_around_a_beam_aside_counts_in_its_centroid(lamp, rng):
    """A halo of 0.5 % that falls off all around tilts the background; u(centroid) covers that."""
    shape, errors = (256, 256), []
    for k in range(12):
        x, y = 128 + 30 * np.cos(k), 128 + 30 * np.sin(k)
        beam, halo = lamp.gaussian(shape, (x, y), 30, 30), lamp.gaussian(shape, (x, y), 140, 140)
        light = beam + 0.005 * beam.sum() / halo.sum() * halo
        pixels = lamp.camera(light, rng, 2900.0, 0.4, 2.0, 40.0, 12)
        p = measure_beam(Frame(pixels, bit_depth=12))
        errors += [(p.centroid[0] - x) / p.u_centroid[0], (p.centroid[1] - y) / p.u_centroid[1]]
    assert np.sqrt(np.mean(np.square(errors))) < 1.5
    assert np.max(np.abs(errors)) < 3.5


def test_influence_is_the_derivative(rng):
    """What one more count in one pixel does to power and moments is what the matrix says."""
    y, x = np.mgrid[:40, :50].astype(float)
    pixels = 100 * np.exp(-(((x - 24) / 7) ** 2) - ((y - 19 - 0.3 * x) / 6) ** 2)
    window = Window(24.0, 20.0, 40.0, 40.0)

    def all_ten(light):
        sums = window_sums(light, window, (1.0, 1.0), (0.0, 0.0, 0.0))
        return np.concatenate([[sums[0, 0]], central_moments(sums, window)])

    before = all_ten(pixels)
    matrix = influence(before[1:], before[0])
    for _ in range(10):
        row, column = rng.integers(0, 40), rng.integers(0, 50)
        changed = pixels.copy()
        changed[row, column] += 1e-3
        u, v = column - before[1], row - before[2]
        monomials = np.array([1, u, v, u * u, v * v, u * v, u**3, u * u * v, u * v * v, v**3])
        assert (all_ten(changed) - before) / 1e-3 == pytest.approx(
            matrix @ monomials, rel=1e-3, abs=1e-6
        )
