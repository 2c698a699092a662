"""Wherever the axes stand inside their travel, the world gives finite, honest pictures."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators import benches
from autoalign_simulators.camera import SimulatedCamera
from autoalign_simulators.collimator import plan as collimator_plan
from autoalign_simulators.focuser import simulate as simulate_focuser
from autoalign_simulators.pixelmap import PixelMap
from autoalign_simulators.screen import Screen

from autoalign.optics.pose import place


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["collimator", "steering", "relay", "focuser"])
def test_pictures_anywhere_in_the_travel(kind: str) -> None:
    """Finite, never negative, never more light than the mirrors pass, and all of it if in view."""
    bench = getattr(benches, kind)(seed=1)
    rng = np.random.default_rng(7)
    cameras = [d for d in bench.detectors.values() if isinstance(d, SimulatedCamera)]
    for camera in cameras:
        camera.stray.ambient = camera.stray.scatter = 0.0
    in_view = 0
    for share in (0.05, 0.1, 0.2, 0.4, 1.0):
        for name, axis in bench.axes.items():
            bench.truth.world.hidden[name] = share * float(rng.uniform(axis.lower, axis.upper))
        moments, power = bench.truth.moments(), bench.truth.power()
        for camera in cameras:
            image = camera.rate(0.0)
            assert np.all(np.isfinite(image))
            assert image.min() >= 0
            seen = float(image.sum(dtype=float)) / camera.traits.source_rate
            assert seen < power * 1.01
            x, y, xx, yy = moments[camera.plane][:4]
            reach = max(abs(x), abs(y)) + 6 * np.sqrt(max(xx, yy))
            if reach < camera.traits.pitch * camera.traits.sensor.columns / 2:
                in_view += 1
                assert seen == pytest.approx(power, rel=0.01)
    assert in_view > 0


def test_too_many_waves_are_drawn_by_rays() -> None:
    """Where the wavefront is too steep to sample, the spot is still there, with all its light."""
    simulation = simulate_focuser(1, ideal=True)
    camera = simulation.detectors["beyond"]
    hidden = {
        "steering.tip": 7.7e-4, "steering.tilt": -4.016e-3, "mirror.z": 2.9998,
        "mirror.tip": 9.72e-4, "mirror.tilt": -7.54e-3, "mirror.clocking": 2.021e-3,
    }  # fmt: skip
    world = simulation.truth.world
    x, y = simulation.truth.moments(hidden)["beyond"][:2]
    poses = place(world.layout, hidden)
    pitch = camera.traits.pitch
    pixels = PixelMap(((pitch, 0.0), (0.0, -pitch)), (x - 100 * pitch, y + 100 * pitch))
    image = camera.renderer.image(poses, "beyond", pixels, (200, 200))
    assert image.sum() == pytest.approx(1.0, abs=0.01)


def test_screens_are_as_uncertain_as_is_stated() -> None:
    """Standard deviations of what is drawn are those that the bench tells its users."""
    rng, stated = np.random.default_rng(3), collimator_plan().uncertainties
    drawn = [Screen.draw(rng, distance=2.0, mark=0.01, pitch=2e-3) for _ in range(3000)]
    for got, want in (
        ([s.distance for s in drawn], 2.0), ([s.mark[0] for s in drawn], 0.01),
        ([s.pitch[0] for s in drawn], 2e-3), ([s.tilt[1] for s in drawn], 5e-3),
        ([s.pitch[0] - s.pitch[1] for s in drawn], stated["far.pixel_aspect"]),
    ):  # fmt: skip
        assert np.std(got) == pytest.approx(want, rel=0.05)
        assert np.mean(got) == pytest.approx(0.0, abs=0.06 * want)
