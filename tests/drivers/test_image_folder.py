"""A folder of pictures as a detector: only what was exposed late enough, whole, and new."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from autoalign_drivers.image_folder import DRIVER, ImageFolderSettings
from PIL import Image
from pydantic import ValidationError

from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError, UsageError
from autoalign.core.interfaces import Detector, DetectorDriver


class CameraClock(VirtualClock):
    """Virtual time in which a camera program writes files."""

    def __init__(self) -> None:
        super().__init__()
        self.plan: list[tuple[float, Callable[[], None]]] = []

    def sleep(self, seconds: float) -> None:
        """Let time pass and write what is due."""
        super().sleep(seconds)
        for due, write in [p for p in self.plan if p[0] <= self.now()]:
            write()
            self.plan.remove((due, write))


@pytest.fixture
def clock() -> CameraClock:
    """Return the time in which pictures appear."""
    return CameraClock()


def pixels(value: int, shape: tuple[int, int] = (6, 8), dtype: Any = np.uint8) -> Any:
    """Return pixels that tell themselves from others by ``value``."""
    return (np.arange(shape[0] * shape[1]).reshape(shape) + value).astype(dtype)


def later(clock: CameraClock, due: float, path: Path, array: Any) -> None:
    """Have a picture written at ``due``."""
    clock.plan.append((due, lambda: Image.fromarray(array).save(path)))


def detector(folder: Path, clock: CameraClock, **changes: Any) -> Detector:
    """Open the folder."""
    keys = {"folder": str(folder), "pitch": "50 um", **changes}
    return DRIVER.build("cam", "near", ImageFolderSettings.model_validate(keys), clock)


def test_a_new_file_is_a_frame(tmp_path: Path, clock: CameraClock) -> None:
    """Pixels as stored, pitch in mm, plane, times on the bench's clock."""
    cam = detector(tmp_path, clock)
    assert isinstance(DRIVER, DetectorDriver)
    assert isinstance(cam, Detector)
    later(clock, 2.0, tmp_path / "a.png", pixels(3))
    (frame,) = cam.acquire(1, not_before=1.0, deadline=10.0)
    np.testing.assert_array_equal(frame.pixels, pixels(3))
    assert frame.pitch == pytest.approx(0.05)
    assert frame.plane == "near"
    assert frame.origin == (3.5, 2.5)
    assert 1.0 <= frame.started <= 2.0 <= frame.ended


def test_pictures_from_before_the_move_settled_are_passed_over(
    tmp_path: Path, clock: CameraClock
) -> None:
    """What was there already, or may have begun too early, never becomes a frame."""
    Image.fromarray(pixels(1)).save(tmp_path / "old.png")
    cam = detector(tmp_path, clock, delay="0.5 s")
    later(clock, 1.2, tmp_path / "early.png", pixels(2))
    later(clock, 2.0, tmp_path / "good.png", pixels(3))
    (frame,) = cam.acquire(1, not_before=1.0, deadline=10.0)
    np.testing.assert_array_equal(frame.pixels, pixels(3))
    assert frame.started >= 1.0


def test_files_between_two_looks_count_from_the_earlier_look(
    tmp_path: Path, clock: CameraClock
) -> None:
    """Nobody saw when they came, so they may be as old as the last look at the folder."""
    cam = detector(tmp_path, clock)
    clock.sleep(5.0)
    Image.fromarray(pixels(1)).save(tmp_path / "between.png")
    later(clock, 6.5, tmp_path / "good.png", pixels(2))
    (frame,) = cam.acquire(1, not_before=5.0, deadline=20.0)
    np.testing.assert_array_equal(frame.pixels, pixels(2))


def test_half_written_files_are_waited_for(tmp_path: Path, clock: CameraClock) -> None:
    """A file that is still growing is not a frame until it is whole."""
    cam = detector(tmp_path, clock)
    whole = tmp_path / "whole.dat"
    Image.fromarray(pixels(5, (60, 80))).save(whole, format="PNG")
    data, target = whole.read_bytes(), tmp_path / "a.png"
    clock.plan.append((2.0, lambda: target.write_bytes(data[:100])))
    clock.plan.append((3.0, lambda: target.write_bytes(data)))
    (frame,) = cam.acquire(1, not_before=1.0, deadline=10.0)
    np.testing.assert_array_equal(frame.pixels, pixels(5, (60, 80)))
    assert frame.ended >= 3.0


def test_an_unusable_picture_is_a_failed_look_and_the_next_one_counts(
    tmp_path: Path, clock: CameraClock
) -> None:
    """A picture in colour is an error of the detector, which a run forgives a few times."""
    cam = detector(tmp_path, clock)
    later(clock, 1.0, tmp_path / "a.png", np.stack([pixels(1), pixels(2), pixels(3)], axis=2))
    later(clock, 3.0, tmp_path / "b.png", pixels(1))
    with pytest.raises(DetectorError, match=r"detector cam.*a\.png"):
        cam.acquire(1, 0.0, 30.0)
    assert cam.acquire(1, clock.now(), 30.0)[0].pixels[0, 0] == 1


def test_a_frozen_camera_is_noticed(tmp_path: Path, clock: CameraClock) -> None:
    """The same pixels again are passed over, and the message says so."""
    cam = detector(tmp_path, clock)
    for i in range(3):
        later(clock, 2.0 + i, tmp_path / f"{i}.png", pixels(7))
    with pytest.raises(DetectorError) as caught:
        cam.acquire(2, not_before=1.0, deadline=8.0)
    text = str(caught.value)
    assert text.startswith(f"detector cam, folder {tmp_path}: 1 of 2 pictures came in time")
    assert "2 the same pixels as before" in text
    assert "Check that the camera program runs" in text


def test_a_changed_camera_is_refused(tmp_path: Path, clock: CameraClock) -> None:
    """Another size in mid-run is an error that shows both."""
    cam = detector(tmp_path, clock)
    later(clock, 2.0, tmp_path / "a.png", pixels(1))
    later(clock, 3.0, tmp_path / "b.png", pixels(1, (6, 9)))
    with pytest.raises(
        DetectorError, match=r"b.png is 6 × 9 uint8, the pictures before were 6 × 8"
    ):
        cam.acquire(2, not_before=1.0, deadline=8.0)


def test_frames_come_in_the_order_of_writing(tmp_path: Path, clock: CameraClock) -> None:
    """Several files, other files among them, counted on."""
    cam = detector(tmp_path, clock, names=["*.tif"])
    (tmp_path / "notes.txt").write_text("none of a camera's")
    for i, name in enumerate(["b.tif", "a.tif", "c.tif"]):
        later(clock, 2.0 + i, tmp_path / name, pixels(300 * i, dtype=np.uint16))
    frames = cam.acquire(3, not_before=1.0, deadline=20.0)
    assert [int(f.pixels[0, 0]) for f in frames] == [0, 300, 600]
    assert [f.sequence for f in frames] == [1, 2, 3]
    assert frames[0].pixels.dtype == np.uint16


def test_missing_and_vanishing_folders(tmp_path: Path, clock: CameraClock) -> None:
    """A folder that is not there is a mistake in the bench file; one that goes, a fault."""
    with pytest.raises(UsageError, match=r"there is no such folder. Create it, or correct"):
        detector(tmp_path / "none", clock)
    folder = tmp_path / "share"
    folder.mkdir()
    cam = detector(folder, clock)
    folder.rmdir()
    with pytest.raises(DetectorError, match=r"cannot be read any more"):
        cam.acquire(1, 0.0, 1.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"pitch": 0.05}, "has no unit"),
        ({"pitch": "5 mrad"}, "is an angle; wanted is a length"),
        ({"pitch": "0 mm"}, "greater than 0"),
        ({"bit_depth": 24}, "less than or equal to 16"),
        ({"colour": "grey"}, "'red', 'green' or 'blue'"),
        ({"view": "upside down"}, "'straight' or 'mirrored'"),
        ({"directory": "."}, "Extra inputs are not permitted"),
    ],
)
def test_settings_mistakes(changes: dict[str, Any], message: str) -> None:
    """Each mistake in the bench file is refused with what is allowed."""
    with pytest.raises(ValidationError, match=message):
        ImageFolderSettings.model_validate({"folder": ".", "pitch": "5 um", **changes})
