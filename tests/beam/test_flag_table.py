"""Every flag is raised at the magnitude stated for it, and none on clean frames."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import FlagKind

SHAPE = (150, 180)


def place(rng):
    """Return a centre near the middle, pixels."""
    return 90 + rng.uniform(-6, 6), 75 + rng.uniform(-6, 6)


def clean(lamp, rng):
    """Return the light of an elliptical Gaussian, d_σ 44 × 36 px, near the middle."""
    turn = rng.uniform(-0.7, 0.7)
    x, y = np.meshgrid(np.arange(SHAPE[1], dtype=float), np.arange(SHAPE[0], dtype=float))
    cx, cy = place(rng)
    u = (x - cx) * np.cos(turn) + (y - cy) * np.sin(turn)
    v = (y - cy) * np.cos(turn) - (x - cx) * np.sin(turn)
    return np.exp(-2 * (u / 22) ** 2 - 2 * (v / 18) ** 2)


def disk(rng, radius=25.0, notch=0.0, hole=0.0):
    """Return a disk with an edge about a pixel soft, with a nick or a hole."""
    x, y = np.meshgrid(np.arange(SHAPE[1], dtype=float), np.arange(SHAPE[0], dtype=float))
    cx, cy = place(rng)
    r = np.hypot(x - cx, y - cy)
    light = np.clip(radius + 0.5 - r, 0, 1) * np.clip(r - hole * radius + 0.5, 0, 1)
    if notch:
        angle = rng.uniform(-np.pi, np.pi)
        bite = radius * notch
        nx, ny = cx + radius * np.cos(angle), cy + radius * np.sin(angle)
        light *= np.clip(np.hypot(x - nx, y - ny) - bite + 0.5, 0, 1)
    return light


def saturated(lamp, rng):
    """Return a frame whose peak would be 25 % above the range."""
    return Frame(lamp.camera(clean(lamp, rng), rng, peak=310.0))


def dark(lamp, rng):
    """Return a frame without light."""
    return Frame(lamp.camera(np.zeros(SHAPE), rng))


def off_the_sensor(lamp, rng):
    """Return a beam whose centroid lies 0.6 widths inside the left edge: 5 % of the peak there."""
    light = clean(lamp, rng)
    return Frame(lamp.camera(light, rng)[:, 66:])


def overfilled(lamp, rng):
    """Return a Gaussian cut by a round aperture where it has 30 % of its peak."""
    x, y = np.meshgrid(np.arange(SHAPE[1], dtype=float), np.arange(SHAPE[0], dtype=float))
    cx, cy = place(rng)
    r2 = (x - cx) ** 2 + (y - cy) ** 2
    return Frame(lamp.camera(np.exp(-2 * r2 / 32**2) * (r2 < 25**2), rng))


def nicked(lamp, rng):
    """Return a disk with a round bite 20 % of its radius deep."""
    return Frame(lamp.camera(disk(rng, notch=0.2), rng))


def ghosted(lamp, rng):
    """Return a beam with a ghost of 10 % of its peak and half its size, two widths away."""
    x, y = np.meshgrid(np.arange(SHAPE[1], dtype=float), np.arange(SHAPE[0], dtype=float))
    cx, cy = place(rng)
    angle = rng.uniform(-np.pi, np.pi)
    gx, gy = cx + 55 * np.cos(angle), cy + 55 * np.sin(angle)
    light = np.exp(-2 * ((x - cx) ** 2 + (y - cy) ** 2) / 20**2)
    ghost = 0.1 * np.exp(-2 * ((x - gx) ** 2 + (y - gy) ** 2) / 10**2)
    return Frame(lamp.camera(light + ghost, rng))


def hot(lamp, rng):
    """Return a beam and three hot pixels of 60 pixel values."""
    pixels = lamp.camera(clean(lamp, rng), rng)
    rows, columns = rng.integers(2, 148, 3), rng.integers(2, 40, 3)
    pixels[rows, columns] = 68
    return Frame(pixels)


def torn(lamp, rng):
    """Return a frame whose rows below the middle come from a beam 20 % of a width aside."""
    x, y = np.meshgrid(np.arange(SHAPE[1], dtype=float), np.arange(SHAPE[0], dtype=float))
    cx, cy = place(rng)
    seam = cy + rng.uniform(-8, 8)
    shift = np.where(y > seam, 8.0, 0.0)
    return Frame(lamp.camera(np.exp(-2 * ((x - cx - shift) ** 2 + (y - cy) ** 2) / 20**2), rng))


def ring(lamp, rng):
    """Return a disk with a hole of half its radius."""
    return Frame(lamp.camera(disk(rng, hole=0.5), rng))


def uneven(lamp, rng):
    """Return a beam on a background that rises by 6 pixel values across the frame."""
    slope = np.linspace(0, 6, SHAPE[1])[None, :]
    pixels = lamp.camera(clean(lamp, rng), rng).astype(float) + slope
    return Frame(np.rint(pixels).clip(0, 255).astype(np.uint8))


def frozen(lamp, rng):
    """Return the pixels of the frame before once more, under a new number."""
    before = Frame(lamp.camera(clean(lamp, rng), rng), sequence=7)
    return replace(before, sequence=8), {"previous": before}


def stale(lamp, rng):
    """Return a frame with other pixels but the number of the frame before."""
    before = Frame(lamp.camera(clean(lamp, rng), rng), sequence=7)
    return Frame(lamp.camera(clean(lamp, rng), rng), sequence=7), {"previous": before}


def too_noisy(lamp, rng):
    """Return a beam whose peak is 1.2 times the noise of a pixel."""
    return Frame(lamp.camera(clean(lamp, rng), rng, peak=3.5, read=3.0, level=20.0))


CASES = {
    FlagKind.SATURATED: saturated,
    FlagKind.DARK: dark,
    FlagKind.CLIPPED_BY_SENSOR: off_the_sensor,
    FlagKind.CLIPPED_BY_APERTURE: overfilled,
    FlagKind.NICKED: nicked,
    FlagKind.TWO_SPOTS: ghosted,
    FlagKind.HOT_PIXELS: hot,
    FlagKind.TORN: torn,
    FlagKind.RING: ring,
    FlagKind.AMBIENT: uneven,
    FlagKind.FROZEN: frozen,
    FlagKind.STALE: stale,
    FlagKind.NOT_CONVERGED: too_noisy,
}


def caught(lamp, kind, count, seed):
    """Return how many of ``count`` frames with the fault raise its flag."""
    rng = np.random.default_rng(seed)
    hits = 0
    for _ in range(count):
        case = CASES[kind](lamp, rng)
        frame, options = case if isinstance(case, tuple) else (case, {})
        hits += kind in measure_beam(frame, **options).flags
    return hits


@pytest.mark.parametrize("kind", CASES)
def test_each_fault_is_named(lamp, kind):
    """Ten frames with each fault, at the stated magnitude, all raise the flag."""
    assert caught(lamp, kind, 10, 1) == 10


def test_clean_frames_raise_nothing(lamp, rng):
    """Thirty clean frames of varying brightness raise no flag at all."""
    for _ in range(30):
        pixels = lamp.camera(clean(lamp, rng), rng, peak=rng.uniform(80, 220))
        assert measure_beam(Frame(pixels)).flags == {}


@pytest.mark.campaign
@pytest.mark.timeout(3600)
def test_flag_table(lamp, capsys):
    """At least 99 % of faults are caught, at most 0.1 % of clean frames raise any flag."""
    lines = []
    for kind in CASES:
        share = caught(lamp, kind, 1000, 2) / 1000
        lines.append(f"{kind:25} {share:7.1%}")
        assert share >= 0.99, lines
    rng = np.random.default_rng(3)
    false: dict[str, int] = {}
    for _ in range(4000):
        frame = Frame(lamp.camera(clean(lamp, rng), rng, peak=rng.uniform(80, 220)))
        for kind in measure_beam(frame).flags:
            false[kind] = false.get(kind, 0) + 1
    with capsys.disabled():
        print("\n" + "\n".join(lines) + f"\nfalse, of 4000 clean frames: {false or 0}")  # noqa: T201
    assert sum(false.values()) <= 4
