"""Sharp edges are what they are: no tear, and where the sensor ends no edge and no ghost."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import FlagKind

Y, X = np.mgrid[:300, :400].astype(float)
WIDE_Y, WIDE_X = np.mgrid[:520, :540].astype(float)


def noisy(light, rng, noise=4.0, gain=0.4):
    """Return a frame of 16 bits over a level of 60, with photon noise."""
    photons = rng.poisson(light / gain) * gain
    return Frame(np.rint(photons + rng.normal(60, noise, light.shape)).clip(0).astype(np.uint16))


def disk(rng, radius=230.0):
    """Return a sharp even disk."""
    cx, cy = 270 + rng.uniform(-9, 9), 260 + rng.uniform(-9, 9)
    return 2000.0 * ((WIDE_X - cx) ** 2 + (WIDE_Y - cy) ** 2 < radius**2)


def rectangle(rng):
    """Return a sharp rectangle, turned a little."""
    t = rng.uniform(-0.1, 0.1)
    u = (WIDE_X - 270) * np.cos(t) + (WIDE_Y - 260) * np.sin(t)
    v = (WIDE_Y - 260) * np.cos(t) - (WIDE_X - 270) * np.sin(t)
    return 2000.0 * ((np.abs(u) < 200) & (np.abs(v) < 140))


def cut_disk(rng):
    """Return a disk of which a knife has taken the top."""
    return disk(rng) * (rng.uniform(60, 250) < WIDE_Y)


@pytest.mark.parametrize("shape", [disk, rectangle, cut_disk])
def test_a_sharp_edge_is_no_tear(rng, shape):
    """An edge that slants moves from row to row in whole pixels; that had been called torn."""
    for _ in range(10):
        assert FlagKind.TORN not in measure_beam(noisy(shape(rng), rng)).flags


@pytest.mark.parametrize("power", [2, 4])
@pytest.mark.parametrize("inside", [-0.3, 0.0, 0.5, 0.8])
def test_where_the_sensor_ends_there_is_neither_an_edge_nor_a_ghost(rng, power, inside):
    """A beam half off one side or a corner is cut by the sensor, and by nothing else."""
    for width in (40.0, 70.0):
        for cx, cy in ((inside * width, 150.0), (400 - inside * width, 300 - inside * width)):
            r = np.hypot(X - cx, Y - cy) / width
            flags = measure_beam(noisy(3000 * np.exp(-2 * r**power), rng)).flags
            assert list(flags) == [FlagKind.CLIPPED_BY_SENSOR]


def test_a_hard_edge_beside_the_sensors_is_still_seen(rng):
    """A sharp disk half off the sensor has an edge of its own on the other half."""
    light = 3000.0 * (np.hypot(X - 10, Y - 150) < 60)
    assert FlagKind.CLIPPED_BY_APERTURE in measure_beam(noisy(light, rng)).flags


@pytest.mark.parametrize(
    ("what", "expected"),
    [("nick", False), ("corner", False), ("knife", False), ("moved", True), ("brighter", True)],
)
def test_what_stands_in_the_light_along_the_rows_is_no_torn_frame(what, expected):
    """A nick with an edge along the rows had been called torn, and the frame put aside."""
    rng = np.random.default_rng(3)
    y, x = np.mgrid[:256, :320]

    def beam(middle=160.0):
        return 3000 * np.exp(-((((x - middle) ** 2 + (y - 128) ** 2) / 60.0**2) ** 4))

    light = {
        "nick": beam() * ~((np.abs(x - 180) < 15) & (np.abs(y - 110) < 10)),
        "corner": beam() * ~((x > 160) & (y < 100)),
        "knife": beam() * (y > 100),
        "moved": np.where(y < 120, beam(), beam(165.0)),
        "brighter": np.where(y < 120, beam(), 0.7 * beam()),
    }[what]
    pixels = np.clip(light + 100 + rng.normal(0, 8, light.shape), 0, 4095).astype(np.uint16)
    assert (FlagKind.TORN in measure_beam(Frame(pixels, pitch=0.01)).flags) is expected
