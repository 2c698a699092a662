"""Screens and cameras: orientation, what is wrong with them, exposure, stray light, faults."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from autoalign_simulators.camera import SimulatedCamera
from autoalign_simulators.collimator import simulate
from autoalign_simulators.screen import Screen

from autoalign.core.errors import DetectorError
from autoalign.core.frames import Frame


def camera_of(plane: str, **options: object) -> SimulatedCamera:
    """Return one camera of a simulated collimator."""
    camera = simulate(3, **options).detectors[plane]
    assert isinstance(camera, SimulatedCamera)
    return camera


def frame_of(camera: SimulatedCamera) -> Frame:
    """Take one frame."""
    return camera.acquire(1, 0.0, 1e6)[0]


def centroid(frame: Frame) -> np.ndarray:
    """Return the centroid in plane axes, mm, as the frame states pitch, origin and view."""
    signal = np.maximum(frame.pixels - np.median(frame.pixels) - 40.0, 0)
    row, column = np.indices(signal.shape)
    c, r = ((signal * k).sum() / signal.sum() for k in (column, row))
    image = np.array([(c - frame.origin[0]) * frame.pitch_x, (r - frame.origin[1]) * frame.pitch_y])
    return np.asarray(frame.view) @ image


@pytest.mark.parametrize("plane", ["near", "far"])
def test_view_turns_image_axes_into_plane_axes(plane: str) -> None:
    """The camera from the front and the mirrored one from behind agree with the truth."""
    hidden = {"source.x": 0.8, "source.y": 0.5}
    simulation = simulate(3, ideal=True, noise=True, hidden=hidden)
    camera = simulation.detectors[plane]
    exact = simulation.truth.moments()[plane][:2]
    assert np.abs(exact).min() > 0.9
    assert centroid(frame_of(camera)) == pytest.approx(exact, abs=0.05)


def test_one_camera_of_the_demo_is_mirrored() -> None:
    """The far camera looks from behind: its view has determinant +1 against −1 of the near one."""
    signs = {p: np.linalg.det(np.array(frame_of(camera_of(p)).view)) for p in ("near", "far")}
    assert signs["near"] == pytest.approx(-1)
    assert signs["far"] == pytest.approx(1)


def test_pitch_roll_and_mark_do_what_they_say() -> None:
    """A pitch 1 % too large shrinks, a roll turns, a mark shifts what is read off the frame."""
    hidden = {"source.x": 0.8, "source.y": 0.5}
    plain = centroid(frame_of(camera_of("far", ideal=True, hidden=hidden)))
    seen = {}
    for name, screen in (
        ("pitch", Screen(pitch=(0.01, 0.01))), ("roll", Screen(roll=0.02)),
        ("fiducial", Screen(mark=(0.5, 0.0))),
    ):  # fmt: skip
        camera = camera_of("far", ideal=True, hidden=hidden)
        other = SimulatedCamera(
            "far", "far", camera.world, camera.renderer, screen, camera.traits, camera.stray, 1
        )
        seen[name] = centroid(frame_of(other))
    assert seen["pitch"] == pytest.approx(plain / 1.01, abs=2e-3)
    c, s = np.cos(0.02), np.sin(0.02)
    assert seen["roll"] == pytest.approx(np.array([[c, s], [-s, c]]) @ plain, abs=5e-3)
    assert seen["fiducial"] == pytest.approx(plain - [0.5, 0], abs=5e-3)


def test_automatic_exposure_uses_seven_tenths_of_the_range() -> None:
    """The brightest pixels come to about 70 %, near and far, and nothing saturates."""
    for plane in ("near", "far"):
        frame = frame_of(camera_of(plane))
        peak = np.sort(frame.pixels, axis=None)[-50]
        assert 0.62 < peak / 4095 < 0.78


def test_fixed_exposure_is_kept() -> None:
    """A camera with a fixed exposure says so in its frames."""
    camera = camera_of("near")
    camera.traits = replace(camera.traits, exposure=0.001)
    assert frame_of(camera).exposure == 0.001


def test_stray_light_lies_beside_the_beam() -> None:
    """Room light lifts the dark corners, scatter lifts them near the beam, a ghost is a copy."""
    plain = camera_of("far", ideal=True)
    room = camera_of("far", ideal=True)
    room.stray.ambient = 500.0
    haze = camera_of("far", ideal=True)
    haze.stray.scatter = 0.05
    ghost = camera_of("far", ideal=True)
    ghost.stray.ghost = 0.02
    a, b, c, d = (k.rate(0.0) for k in (plain, room, haze, ghost))
    assert np.allclose(b - a, 500.0, rtol=1e-3, atol=0.1)
    assert (c - a)[256, 100] > (c - a)[5, 5] > 0
    extra = d - a
    assert extra.sum() == pytest.approx(0.02 * a.sum(), rel=0.01)
    row, column = np.indices(a.shape)
    shift = [((extra * k).sum() / extra.sum() - (a * k).sum() / a.sum()) for k in (column, row)]
    pitch = plain.traits.pitch
    assert np.array(plain.traits.view) @ shift * pitch == pytest.approx([14.4, 9.6], abs=pitch)


def test_frame_faults_have_switches() -> None:
    """Frozen, torn, stale, overexposed and silent cameras show the fault and nothing else."""
    camera = camera_of("near")
    first = frame_of(camera)
    camera.faults.frozen = True
    again = frame_of(camera)
    assert np.array_equal(first.pixels, again.pixels)
    assert again.sequence == 2
    camera.faults.frozen, camera.faults.stale = False, 3.0
    now = camera.world.clock.now()
    assert frame_of(camera).started == pytest.approx(now - 3.0)
    camera.faults.stale, camera.faults.overexpose = 0.0, 10.0
    assert np.mean(frame_of(camera).pixels == 4095) > 0.02
    camera.faults.overexpose, camera.faults.torn = 1.0, True
    old = frame_of(camera).pixels[256:]
    assert np.array_equal(frame_of(camera).pixels[256:], old)
    camera.faults.silent = True
    with pytest.raises(DetectorError, match="camera near: 0 of 1 frames"):
        camera.acquire(1, 0.0, camera.world.clock.now() + 1.0)


def test_a_moving_beam_is_smeared() -> None:
    """During a move an exposure averages over the way; at rest it does not."""
    simulation = simulate(3, ideal=True)
    camera = simulation.detectors["far"]
    camera.traits = replace(camera.traits, exposure=0.5)
    simulation.stages["source"].start_move("source.x", 2.0)
    smeared = camera.rate(0.0).copy(), camera._mean_rate(0.0, 0.5)
    width = [np.count_nonzero(k.max(axis=0) > 0.02 * k.max()) for k in smeared]
    assert width[1] > width[0] + 20
