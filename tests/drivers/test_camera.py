"""Cameras of the operating system and video files: fresh frames, held levels, plain errors."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import numpy as np
import pytest
from autoalign_drivers.camera import (
    CAMERA,
    VIDEO,
    CameraDetector,
    CameraSettings,
    VideoSettings,
)
from autoalign_drivers.pixels import one_channel
from pydantic import ValidationError

from autoalign.core.clock import Clock, RealClock, VirtualClock
from autoalign.core.errors import DetectorError, LinkError, UsageError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Detector
from autoalign.testing import DetectorConformance

EXPOSURE, AUTO, WIDTH, HEIGHT = 15, 21, 3, 4


class FakeCapture:
    """A camera that runs all the time, in the system's manner, with ``waiting`` old pictures."""

    def __init__(self, clock: VirtualClock, waiting: int = 0, light: float = 100.0) -> None:
        self.clock, self.waiting, self.light = clock, waiting, light
        self.period, self.rng = 0.05, np.random.default_rng(1)
        self.numbers: dict[int, float] = {EXPOSURE: 100.0, WIDTH: 8.0, HEIGHT: 6.0}
        self.gone = self.released = False
        self.colour: tuple[float, float, float] | None = None

    def isOpened(self) -> bool:  # noqa: N802 - OpenCV's name
        """Open unless it was unplugged."""
        return not self.gone

    def read(self) -> tuple[bool, Any]:
        """Return a waiting picture (dark) at once, or the next one after its time."""
        if self.gone:
            return False, None
        old = self.waiting > 0
        if old:
            self.waiting -= 1
        else:
            self.clock.sleep(self.period)
        level = 1.0 if old else self.light * self.numbers[EXPOSURE] / 100
        picture = self.rng.normal(level, 0.5, (6, 8, 1)) * np.array(self.colour or (1.0, 1.0, 1.0))
        return True, np.clip(np.round(picture), 0, 255).astype(np.uint8)

    def set(self, property_: int, value: float) -> bool:
        """Take exposure, size and the manual mode."""
        if property_ == EXPOSURE:
            self.numbers[EXPOSURE] = value
        return property_ in (EXPOSURE, AUTO)

    def get(self, property_: int) -> float:
        """Return a property."""
        return self.numbers.get(property_, 0.0)

    def release(self) -> None:
        """Let go."""
        self.released = True


def camera(fake: FakeCapture, **keys: Any) -> CameraDetector:
    """Return the driver on ``fake``."""
    settings = CameraSettings.model_validate({"device": 0, "pitch": "5 um", **keys})
    return CameraDetector("cam", "near", settings, fake.clock, lambda: fake)


class TestCamera(DetectorConformance):
    """The driver passes the suite of every detector."""

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return a camera with pictures waiting."""
        clock = VirtualClock()
        return camera(FakeCapture(clock, waiting=3)), clock


def test_pictures_that_waited_are_dropped() -> None:
    """None of what the system kept waiting is handed over, and nothing exposed before asked."""
    fake = FakeCapture(VirtualClock(), waiting=4)
    fake.clock.sleep(10.0)
    frames = camera(fake, delay="0.1 s").acquire(2, 10.0, 20.0)
    assert all(f.pixels.mean() > 50 for f in frames)
    assert all(f.started is not None and f.started >= 10.0 for f in frames)


@pytest.mark.parametrize("light", [4.0, 30.0, 250.0, 2000.0])
def test_the_level_is_held(light: float) -> None:
    """The exposure time is changed until the brightest pixels are near the target level."""
    fake = FakeCapture(VirtualClock(), light=light)
    detector = camera(
        fake, exposure="10 ms", exposure_range=["0.1 ms", "500 ms"], level=0.7, queue=1
    )
    for _ in range(2):
        (frame,) = detector.acquire(1, fake.clock.now(), fake.clock.now() + 60)
    assert 0.7 * 0.7 < np.quantile(frame.pixels, 0.999) / 255 < 1.15 * 0.7
    assert frame.exposure == pytest.approx(detector.exposure)


def test_the_exposure_range_is_kept() -> None:
    """Light that is too bright for the shortest time is told by its saturation, not hidden."""
    fake = FakeCapture(VirtualClock(), light=1e6)
    detector = camera(fake, exposure="10 ms", exposure_range=["1 ms", "500 ms"], level=0.7, queue=0)
    (frame,) = detector.acquire(1, 0.0, 60.0)
    assert detector.exposure == pytest.approx(1e-3)
    assert frame.pixels.max() == 255


def test_exposure_in_powers_of_two() -> None:
    """Where a camera counts in powers of two, the closest one is set and told."""
    fake = FakeCapture(VirtualClock())
    detector = camera(fake, exposure="10 ms", exposure_scale="log2", exposure_step="1 s")
    assert fake.numbers[EXPOSURE] == -7
    assert detector.exposure == pytest.approx(2**-7)


def test_a_region_keeps_its_place() -> None:
    """The zero of the plane stays where it is when only a part of the picture is used."""
    fake = FakeCapture(VirtualClock())
    (frame,) = camera(fake, region=[2, 1, 4, 3], origin=[3.5, 2.5]).acquire(1, 0.0, 9.0)
    assert frame.pixels.shape == (3, 4)
    assert frame.origin == (1.5, 1.5)
    with pytest.raises(DetectorError, match="not inside its 8 × 6 pixels"):
        camera(fake, region=[6, 1, 4, 3]).acquire(1, 0.0, 99.0)


def test_colours_are_never_mixed() -> None:
    """A colour picture needs the channel of the laser; a grey camera's three are one."""
    fake = FakeCapture(VirtualClock())
    fake.colour = (0.1, 0.3, 1.0)
    with pytest.raises(DetectorError, match="Choose the channel of the laser"):
        camera(fake).acquire(1, 0.0, 9.0)
    (frame,) = camera(fake, colour="red").acquire(1, 0.0, 99.0)
    assert frame.pixels.mean() == pytest.approx(100, abs=2)
    grey = np.full((3, 3), 7, np.uint8)
    assert one_channel(grey, None, "here") is grey


def test_unplugged_and_plugged_in_again() -> None:
    """An error that says so, then it is opened again at the next measurement."""
    fake = FakeCapture(VirtualClock())
    detector = camera(fake)
    detector.acquire(1, 0.0, 9.0)
    fake.gone = True
    with pytest.raises(DetectorError, match=r"no pictures any more\. Check its cable"):
        detector.acquire(1, 0.0, 99.0)
    assert fake.released
    with pytest.raises(LinkError, match="cannot be opened"):
        detector.acquire(1, 0.0, 99.0)
    fake.gone = False
    assert len(detector.acquire(1, 0.0, 99.0)) == 1


def test_a_camera_that_comes_too_late() -> None:
    """The deadline holds, whatever the camera does."""
    fake = FakeCapture(VirtualClock())
    fake.period = 3.0
    with pytest.raises(DetectorError, match="the deadline passed before a picture came"):
        camera(fake).acquire(3, 0.0, 5.0)


@pytest.mark.parametrize(
    ("keys", "words"),
    [
        ({"level": 0.5}, "level needs exposure and exposure_range"),
        ({"exposure_range": ["2 ms", "1 ms"]}, "a shorter and a longer time"),
        ({"pitch": 5.0}, "has no unit"),
    ],
)
def test_mistakes_of_the_table(keys: dict[str, Any], words: str) -> None:
    """Each is refused with what is allowed."""
    with pytest.raises(ValidationError, match=words):
        CameraSettings.model_validate({"device": 0, "pitch": "5 um", **keys})


def test_a_size_that_it_does_not_give() -> None:
    """A camera that takes another size than asked for is refused, not scaled."""
    with pytest.raises(LinkError, match="does not give 640 × 480 pixels"):
        camera(FakeCapture(VirtualClock()), size=[640, 480])


@pytest.fixture(scope="module")
def video(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return a video of five grey pictures, each brighter than the one before."""
    cv2 = pytest.importorskip("cv2")
    path = tmp_path_factory.mktemp("video") / "spot.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 30.0, (64, 48))
    if not writer.isOpened():
        pytest.skip("this OpenCV writes no video")
    for level in (40, 80, 120, 160, 200):
        writer.write(np.full((48, 64, 3), level, np.uint8))
    writer.release()
    return path


@pytest.mark.slow
def test_a_video_is_played_picture_by_picture(video: Path) -> None:
    """Each picture is one exposure; the end is an error, or the beginning again."""
    keys = {"file": str(video), "pitch": "5 um", "colour": "green"}
    settings = VideoSettings.model_validate(keys)
    clock = RealClock()
    detector = VIDEO.build("film", "near", settings, clock)
    frames = detector.acquire(5, clock.now(), clock.now() + 60)
    assert [round(float(f.pixels.mean()), -1) for f in frames] == [40, 80, 120, 160, 200]
    assert all(isinstance(f, Frame) for f in frames)
    with pytest.raises(DetectorError, match=r"ended after 5 pictures. Set repeat = true"):
        detector.acquire(1, clock.now(), clock.now() + 60)
    detector.close()
    again = VIDEO.build("film", "near", settings.model_copy(update={"repeat": True}), clock)
    assert len(again.acquire(7, clock.now(), clock.now() + 60)) == 7
    again.close()


def test_what_is_not_there(tmp_path: Path) -> None:
    """A missing file is a mistake of the file; settings of another driver are refused."""
    settings = VideoSettings.model_validate({"file": str(tmp_path / "none.avi"), "pitch": "5 um"})
    with pytest.raises(UsageError, match="there is no video file"):
        VIDEO.build("film", "near", settings, RealClock())
    with pytest.raises(UsageError, match="must be CameraSettings"):
        CAMERA.build("cam", "near", settings, RealClock())
