"""The sensor against the photon transfer curve of EMVA 1288."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.sensor import Sensor, SensorMaps


def photon_transfer(sensor: Sensor) -> tuple[np.ndarray, np.ndarray, SensorMaps]:
    """Return mean and temporal variance over rising light."""
    maps = SensorMaps(sensor, np.random.default_rng(0))
    rng = np.random.default_rng(1)
    means, variances = [], []
    for electrons in np.geomspace(0.3, 8000, 24):
        rate = np.full((sensor.rows, sensor.columns), electrons, np.float32)
        a, b = (maps.expose(rate, 1.0, rng).astype(float) for _ in range(2))
        means.append((a.mean() + b.mean()) / 2)
        variances.append(np.var(a - b) / 2)
    return np.array(means), np.array(variances), maps


def test_photon_transfer_curve() -> None:
    """Variance rises with the mean by the gain, from read noise and rounding at no light."""
    # EMVA 1288, release 4.0, linear model (from memory): s² = K² s_d² + 1/12 + K (m − m_dark).
    sensor = Sensor(256, 256, hot_pixels=0, dark_current=0.0)
    means, variances, _ = photon_transfer(sensor)
    # A variance of N differences scatters by √(2/N) of itself: slope and level by some 0.2 %.
    slope, level = np.polyfit(means - sensor.black_level, variances, 1, w=1 / variances)
    assert slope == pytest.approx(sensor.gain, rel=0.01)
    assert level == pytest.approx(sensor.gain**2 * sensor.read_noise**2 + 1 / 12, rel=0.01)


def test_dark_frame_has_read_noise_alone() -> None:
    """Without light the variance is that of read noise and rounding."""
    sensor = Sensor(256, 256, hot_pixels=0, dark_current=0.0, dark_spread=0.0)
    maps = SensorMaps(sensor, np.random.default_rng(0))
    rng = np.random.default_rng(1)
    dark = maps.expose(np.zeros((256, 256), np.float32), 0.01, rng).astype(float)
    assert dark.mean() == pytest.approx(sensor.black_level, abs=0.1)
    want = sensor.gain**2 * sensor.read_noise**2 + 1 / 12
    assert dark.var() == pytest.approx(want, rel=0.015)


@pytest.mark.parametrize(("bits", "kind"), [(8, np.uint8), (10, np.uint16), (12, np.uint16)])
def test_a_full_well_is_the_top_of_the_range(bits: int, kind: type) -> None:
    """Twice the full well saturates at 2^bits − 1; the type holds the bits."""
    sensor = Sensor(16, 16, bits=bits, black_level=2.0)
    maps = SensorMaps(sensor, np.random.default_rng(0))
    rate = np.full((16, 16), 2 * sensor.full_well, np.float32)
    frame = maps.expose(rate, 1.0, np.random.default_rng(1))
    assert frame.dtype == kind
    assert np.all(frame == 2**bits - 1)


def test_fixed_pattern_and_hot_pixels_stay() -> None:
    """The response's spread is as asked for, and hot pixels are at the same place every time."""
    sensor = Sensor(200, 200, response_spread=0.01, dark_spread=0.0, read_noise=0.0, hot_pixels=4)
    maps = SensorMaps(sensor, np.random.default_rng(0))
    rng = np.random.default_rng(1)
    rate = np.full((200, 200), 4000.0, np.float32)
    mean = np.mean([maps.expose(rate, 1.0, rng) for _ in range(60)], axis=0) - sensor.black_level
    ordinary = mean[maps.dark < 1000]
    assert ordinary.std() / ordinary.mean() == pytest.approx(0.01, rel=0.05)
    dark = maps.expose(np.zeros((200, 200), np.float32), 0.05, rng)
    assert np.count_nonzero(dark > 300) == 4


def test_without_noise_a_picture_is_the_light_in_whole_numbers() -> None:
    """A perfect sensor rounds and does nothing else."""
    sensor = Sensor(
        8, 8, noise=False, response_spread=0, dark_spread=0, hot_pixels=0, dark_current=0
    )
    maps = SensorMaps(sensor, np.random.default_rng(0))
    rate = np.arange(64, dtype=np.float32).reshape(8, 8) * 100
    frame = maps.expose(rate, 1.0, np.random.default_rng(1))
    assert np.array_equal(frame, np.rint(sensor.black_level + rate * sensor.gain))
