"""Cameras and video files through OpenCV: whatever the system shows as a video device."""

from __future__ import annotations

import hashlib
import math
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any, Literal, Protocol, Self

import numpy as np
from pydantic import Field, model_validator

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError, LinkError, UsageError
from autoalign.core.foreign import require_extra
from autoalign.core.frames import Frame, Pixels
from autoalign_drivers.pixels import PixelSettings, frame_of, one_channel
from autoalign_drivers.unit_texts import Seconds

__all__ = [
    "CAMERA",
    "VIDEO",
    "CameraDetector",
    "CameraDriver",
    "CameraSettings",
    "Capture",
    "VideoDetector",
    "VideoDriver",
    "VideoSettings",
]

_EXPOSURE, _AUTO_EXPOSURE, _WIDTH, _HEIGHT, _GAIN = 15, 21, 3, 4, 14
"""Numbers of OpenCV's properties CAP_PROP_EXPOSURE, …, from its documentation, from memory."""

_BRIGHT = 0.999
"""Part of the pixels below the level that is held: a few hot ones do not count."""
_NEAR = (0.7, 1.15)
"""Levels between these parts of the target are left alone."""
_TRIES = 8
_DARKEST = 1e-3


class Capture(Protocol):
    """What is used of OpenCV's ``VideoCapture``."""

    def isOpened(self) -> bool:  # noqa: N802 - OpenCV's name
        """Whether it is open."""
        ...

    def read(self) -> tuple[bool, Any]:
        """Wait for the next picture and return it."""
        ...

    def set(self, property_: int, value: float) -> bool:
        """Set a property; return whether that was taken."""
        ...

    def get(self, property_: int) -> float:
        """Return a property."""
        ...

    def release(self) -> None:
        """Let go of the device."""
        ...


class CameraSettings(PixelSettings):
    """A camera that the operating system shows as a video device."""

    device: int | str = Field(
        description="Number of the device, or its path (/dev/v4l/by-id/…), which stays the same "
        "when others are plugged in."
    )
    size: tuple[int, int] | None = Field(
        default=None, strict=False, description="Pixels (columns, rows) that the camera is to give."
    )
    region: tuple[int, int, int, int] | None = Field(
        default=None,
        strict=False,
        description="Region of interest: first column, first row, columns, rows. The origin counts "
        "from the whole picture.",
    )
    exposure: Seconds | None = Field(
        default=None, gt=0, le=60, description="Exposure time; the camera's own if left out."
    )
    exposure_step: Seconds = Field(
        default=1e-4,
        gt=0,
        description="What 1 of the camera's exposure number means: 0.1 ms under V4L2; 1 s where "
        "exposure_scale is log2.",
    )
    exposure_scale: Literal["linear", "log2"] = Field(
        default="linear",
        description="Whether the exposure number counts steps, or powers of two of the step.",
    )
    gain: float | None = Field(default=None, description="Gain, as the camera counts it.")
    level: float | None = Field(
        default=None,
        gt=0,
        lt=1,
        description="Level, as a part of full scale, at which the brightest pixels are held by "
        "changing the exposure time before a measurement; needs exposure and exposure_range.",
    )
    exposure_range: tuple[Seconds, Seconds] | None = Field(
        default=None, strict=False, description="Shortest and longest exposure time."
    )
    delay: Seconds = Field(
        default=0.2,
        ge=0,
        le=60,
        description="Longest time from the begin of an exposure to its picture being there.",
    )
    queue: int = Field(
        default=4,
        ge=0,
        le=100,
        description="Pictures that the system may keep waiting; as many are dropped before each "
        "measurement.",
    )

    @model_validator(mode="after")
    def _level_can_be_held(self) -> Self:
        if self.level is not None and (self.exposure is None or self.exposure_range is None):
            raise ValueError("level needs exposure and exposure_range")
        if self.exposure_range is not None and not (
            0 < self.exposure_range[0] < self.exposure_range[1]
        ):
            raise ValueError("exposure_range must be a shorter and a longer time")
        return self


class VideoSettings(PixelSettings):
    """A video file: each picture of it is one exposure, taken when it is asked for."""

    file: str = Field(min_length=1, description="The video file.")
    repeat: bool = Field(default=False, description="Whether it begins anew at its end.")


class _Pictures:
    """Pictures from a capture, numbered; the line to it may be opened again."""

    def __init__(self, where: str, make: Callable[[], Capture]) -> None:
        self.where, self.number = where, 0
        self._make = make
        self.capture: Capture | None = None

    def open(self) -> Capture:
        """Return the capture, opened if it is not."""
        if self.capture is None:
            made = self._make()
            if not made.isOpened():
                made.release()
                raise LinkError(
                    f"{self.where}: it cannot be opened. Check that it is plugged in, that no "
                    "other program has it, and that this user may read it."
                )
            self.capture = made
        return self.capture

    def read(self) -> Pixels | None:
        """Return the next picture, or None where there is none."""
        got, picture = self.open().read()
        if not got or picture is None:
            return None
        self.number += 1
        return np.asarray(picture)

    def close(self) -> None:
        """Let go of the device. May be called twice."""
        if self.capture is not None:
            self.capture.release()
            self.capture = None


class CameraDetector:
    """A :class:`~autoalign.core.interfaces.Detector` on a camera that runs all the time.

    When an exposure began is not told by the system. It is bounded by when its picture came, less
    ``delay``, once the pictures that may have waited are dropped; a picture for which that is not
    late enough is passed over, and so is one with exactly the pixels of the one before. A camera
    that was unplugged is opened again at the next measurement.
    """

    def __init__(
        self,
        name: str,
        plane: str,
        settings: CameraSettings,
        clock: Clock,
        make: Callable[[], Capture],
    ) -> None:
        self._name, self._plane = name, plane
        self._settings, self._clock = settings, clock
        self._pictures = _Pictures(f"detector {name}, device {settings.device}", make)
        self._exposure = settings.exposure
        self._digest = b""
        self._prepare()

    def __repr__(self) -> str:
        return f"CameraDetector({self._name!r}, {self._settings.device!r})"

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        return self._plane

    @property
    def exposure(self) -> float | None:
        """Exposure time now, s, or None where it is the camera's own."""
        return self._exposure

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Frame]:
        """Return ``count`` frames whose exposure began at or after ``not_before``.

        Raises
        ------
        DetectorError
            Where they have not come by ``deadline``, or the camera gives none any more.
        """
        self._clock.sleep(max(0.0, not_before - self._clock.now()))
        if self._pictures.capture is None:
            self._prepare()
        for _ in range(self._settings.queue):
            self._picture(deadline)
        first = self._frame(not_before, deadline)
        for _ in range(_TRIES):
            if not self._adjust(first):
                break
            first = self._frame(self._clock.now(), deadline)
        return [first, *(self._frame(not_before, deadline) for _ in range(count - 1))]

    def close(self) -> None:
        """Let go of the camera. May be called twice."""
        self._pictures.close()

    def _prepare(self) -> None:
        """Open the camera and set what the bench file gives."""
        s, capture = self._settings, self._pictures.open()
        if s.size is not None:
            for number, wanted in zip((_WIDTH, _HEIGHT), s.size, strict=True):
                capture.set(number, wanted)
                if round(capture.get(number)) != wanted:
                    self._pictures.close()
                    raise LinkError(
                        f"{self._pictures.where}: it does not give {s.size[0]} × {s.size[1]} "
                        "pixels. Choose a size that it lists."
                    )
        if s.gain is not None:
            capture.set(_GAIN, s.gain)
        if self._exposure is not None:
            self._set_exposure(self._exposure)

    def _set_exposure(self, exposure: float) -> None:
        s, capture = self._settings, self._pictures.open()
        number = exposure / s.exposure_step
        if s.exposure_scale == "log2":
            number = round(math.log2(number))
        # 1 is "manual" under V4L2, 0.25 elsewhere; a camera takes the one that it knows.
        manual = capture.set(_AUTO_EXPOSURE, 1) or capture.set(_AUTO_EXPOSURE, 0.25)
        if not capture.set(_EXPOSURE, number) and not manual:
            self._pictures.close()
            raise LinkError(
                f"{self._pictures.where}: its exposure time cannot be set. Leave out 'exposure' "
                "and set it at the camera."
            )
        self._exposure = s.exposure_step * (2**number if s.exposure_scale == "log2" else number)

    def _adjust(self, frame: Frame) -> bool:
        """Change the exposure time where the level is off; return whether it was changed."""
        s = self._settings
        if s.level is None or s.exposure_range is None or self._exposure is None:
            return False
        full = frame.saturation or 1.0
        level = float(np.quantile(frame.pixels, _BRIGHT)) / full
        if _NEAR[0] * s.level <= level <= _NEAR[1] * s.level:
            return False
        factor = 0.25 if level >= 0.99 else min(max(s.level / max(level, _DARKEST), 0.25), 4.0)
        low, high = s.exposure_range
        wanted = min(max(self._exposure * factor, low), high)
        if abs(wanted / self._exposure - 1) < 0.02:
            return False
        self._set_exposure(wanted)
        # What is on its way was exposed for the time before.
        for _ in range(s.queue):
            self._picture(math.inf)
        return True

    def _picture(self, deadline: float) -> Pixels:
        """Return the next picture in one brightness."""
        if self._clock.now() > deadline:
            raise DetectorError(
                f"{self._pictures.where}: the deadline passed before a picture came. Check its "
                "frame rate and 'delay'."
            )
        picture = self._pictures.read()
        if picture is None:
            self._pictures.close()
            raise DetectorError(
                f"{self._pictures.where}: it gives no pictures any more. Check its cable; it is "
                "opened again at the next measurement."
            )
        return one_channel(picture, self._settings.colour, self._pictures.where)

    def _frame(self, not_before: float, deadline: float) -> Frame:
        """Return the next picture that is fresh and not the one before."""
        while True:
            pixels = self._picture(deadline)
            came = self._clock.now()
            digest = hashlib.sha256(pixels.tobytes()).digest()
            # A dark or a saturated camera may well give the same even picture twice.
            frozen = digest == self._digest and pixels.min() < pixels.max()
            if frozen or came - self._settings.delay < not_before:
                continue
            self._digest = digest
            return self._cut(pixels, came)

    def _cut(self, pixels: Pixels, came: float) -> Frame:
        s = self._settings
        whole = frame_of(
            pixels,
            s,
            exposure=self._exposure,
            started=came - s.delay,
            ended=came,
            plane=self._plane,
            sequence=self._pictures.number,
        )
        if s.region is None:
            return whole
        column, row, columns, rows = s.region
        part = np.ascontiguousarray(pixels[row : row + rows, column : column + columns])
        if part.shape != (rows, columns):
            raise DetectorError(
                f"{self._pictures.where}: the region {s.region} is not inside its "
                f"{pixels.shape[1]} × {pixels.shape[0]} pixels."
            )
        origin = (whole.origin[0] - column, whole.origin[1] - row)
        return frame_of(
            part,
            s.model_copy(update={"origin": origin}),
            exposure=whole.exposure,
            started=whole.started,
            ended=whole.ended,
            plane=whole.plane,
            sequence=whole.sequence,
        )


class VideoDetector:
    """A :class:`~autoalign.core.interfaces.Detector` that plays a video file."""

    def __init__(
        self,
        name: str,
        plane: str,
        settings: VideoSettings,
        clock: Clock,
        make: Callable[[], Capture],
    ) -> None:
        self._name, self._plane = name, plane
        self._settings, self._clock = settings, clock
        self._pictures = _Pictures(f"detector {name}, video {settings.file}", make)
        self._pictures.open()

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        return self._plane

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Frame]:
        """Return the next ``count`` pictures of the video."""
        self._clock.sleep(max(0.0, not_before - self._clock.now()))
        frames = []
        for _ in range(count):
            started = self._clock.now()
            pixels = one_channel(self._next(), self._settings.colour, self._pictures.where)
            frames.append(
                frame_of(
                    pixels,
                    self._settings,
                    started=started,
                    ended=self._clock.now(),
                    plane=self._plane,
                    sequence=self._pictures.number,
                )
            )
        return frames

    def close(self) -> None:
        """Let go of the file. May be called twice."""
        self._pictures.close()

    def _next(self) -> Pixels:
        picture = self._pictures.read()
        if picture is None and self._settings.repeat:
            self._pictures.close()
            picture = self._pictures.read()
        if picture is None:
            raise DetectorError(
                f"{self._pictures.where}: it has ended after {self._pictures.number} pictures. Set "
                "repeat = true to begin anew."
            )
        return picture


def _capture(place: int | str) -> Capture:
    import cv2  # noqa: PLC0415 - an extra

    made: Capture = cv2.VideoCapture(place)
    return made


class CameraDriver:
    """A camera of the operating system (V4L2, UVC and the like), through OpenCV."""

    settings = CameraSettings

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> CameraDetector:
        """Open the camera and set what the file gives."""
        if not isinstance(settings, CameraSettings):
            raise UsageError(f"detector {name}: settings must be CameraSettings.")
        require_extra(f"detector {name}", "camera", "cv2")
        return CameraDetector(name, plane, settings, clock, lambda: _capture(settings.device))


class VideoDriver:
    """A video file, each picture of it one exposure, through OpenCV."""

    settings = VideoSettings

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> VideoDetector:
        """Open the file."""
        if not isinstance(settings, VideoSettings):
            raise UsageError(f"detector {name}: settings must be VideoSettings.")
        require_extra(f"detector {name}", "camera", "cv2")
        if not Path(settings.file).is_file():
            raise UsageError(f"detector {name}: there is no video file {settings.file}.")
        return VideoDetector(name, plane, settings, clock, lambda: _capture(settings.file))


CAMERA = CameraDriver()
"""Entry point ``camera`` of the group ``autoalign.detectors``."""
VIDEO = VideoDriver()
"""Entry point ``video`` of the group ``autoalign.detectors``."""
