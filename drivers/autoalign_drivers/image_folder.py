"""A folder into which another program writes pictures, as a detector."""

from __future__ import annotations

import fnmatch
import hashlib
from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import Any

from pydantic import Field

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError, FrameError, UsageError
from autoalign.core.frames import Frame, Pixels
from autoalign.pictures import Channel, Page, read_pages
from autoalign_drivers.pixels import PixelSettings, frame_of
from autoalign_drivers.unit_texts import Seconds

__all__ = ["DRIVER", "ImageFolderDetector", "ImageFolderDriver", "ImageFolderSettings"]


class ImageFolderSettings(PixelSettings):
    """A folder of pictures."""

    folder: str = Field(min_length=1, description="The folder that is watched.")
    names: list[str] = Field(
        default=["*.png", "*.tif", "*.tiff", "*.bmp"],
        min_length=1,
        description="Which files are pictures, as patterns.",
    )
    delay: Seconds = Field(
        default=0.5,
        ge=0,
        description="Longest time from the begin of an exposure to its file being there.",
    )
    poll: Seconds = Field(
        default=0.05, gt=0, le=10, description="Interval between two checks of the folder."
    )


@dataclass(frozen=True, slots=True)
class _Found:
    """A file as listed; ``after`` is when it was certainly not yet there, clock s."""

    size: int
    modified: int
    after: float


class ImageFolderDetector:
    """A :class:`~autoalign.core.interfaces.Detector`: every new file is one exposure.

    When an exposure began is not in the file. It is bounded by when the file was not there yet,
    less ``delay``; a file for which even that is not late enough is passed over, and so is one
    with exactly the pixels of the one before, which no working camera gives.
    """

    def __init__(self, name: str, plane: str, settings: ImageFolderSettings, clock: Clock) -> None:
        self._name = name
        self._plane = plane
        self._settings = settings
        self._clock = clock
        self._folder = Path(settings.folder)
        self._where = f"detector {name}, folder {settings.folder}"
        if not self._folder.is_dir():
            raise UsageError(
                f"{self._where}: there is no such folder. Create it, or correct 'folder' in the "
                "bench file."
            )
        self._taken: set[str] = set()
        self._found: dict[str, _Found] = {}
        self._listed = float("-inf")
        self._shape: tuple[Any, ...] | None = None
        self._digest = b""
        self._sequence = 0
        self._passed: dict[str, int] = {}
        self._list()
        self._taken.update(self._found)

    def __repr__(self) -> str:
        return f"ImageFolderDetector({self._name!r}, {self._settings.folder!r})"

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        return self._plane

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Frame]:
        """Return ``count`` frames from files whose exposure began at or after ``not_before``.

        Raises
        ------
        DetectorError
            Where they have not come by ``deadline``, saying what was passed over and why; where
            pictures change their size or kind; and where one is no usable picture.
        """
        frames: list[Frame] = []
        self._passed = {}
        while True:
            for path, found in self._complete():
                try:
                    frame = self._frame(path, found, not_before)
                except FrameError as error:
                    self._pass(path, "unusable")
                    raise DetectorError(f"{self._where}: {error}") from error
                if frame is not None:
                    frames.append(frame)
                if len(frames) == count:
                    return frames
            if self._clock.now() >= deadline:
                raise DetectorError(self._late(len(frames), count))
            self._clock.sleep(self._settings.poll)

    def close(self) -> None:
        """Let go; nothing is held. May be called twice."""

    def _list(self) -> dict[str, _Found]:
        """Scan the folder; return the files that are as they were at the last scan."""
        steady: dict[str, _Found] = {}
        try:
            entries = list(self._folder.iterdir())
        except OSError as error:
            raise DetectorError(
                f"{self._where}: the folder cannot be read any more ({error}). Check the disk or "
                "the network share."
            ) from error
        for path in entries:
            if path.name in self._taken or not self._matches(path.name):
                continue
            try:
                stat = path.stat()
            except FileNotFoundError:
                continue
            before = self._found.get(path.name)
            after = before.after if before is not None else self._listed
            found = _Found(stat.st_size, stat.st_mtime_ns, after)
            if found == before and stat.st_size > 0:
                steady[path.name] = found
            self._found[path.name] = found
        self._listed = self._clock.now()
        return steady

    def _complete(self) -> list[tuple[Path, _Found]]:
        steady = self._list().items()
        ordered = sorted(steady, key=lambda item: (item[1].modified, item[0]))
        return [(self._folder / name, found) for name, found in ordered]

    def _frame(self, path: Path, found: _Found, not_before: float) -> Frame | None:
        """Return the file as a frame, or None for one that is passed over or not ready."""
        started = found.after - self._settings.delay
        if started < not_before:
            self._pass(path, "exposed too early")
            return None
        try:
            page = _only_page(path, self._settings.colour)
        except OSError:
            self._passed["not readable (yet)"] = 1
            return None
        self._taken.add(path.name)
        pixels = page.pixels
        digest = hashlib.sha256(pixels.tobytes()).digest()
        if digest == self._digest:
            self._pass(path, "the same pixels as before")
            return None
        self._digest = digest
        self._check_kind(path, pixels)
        self._sequence += 1
        s = self._settings
        return frame_of(
            pixels,
            s,
            started=started,
            ended=self._clock.now(),
            bit_depth=s.bit_depth if s.bit_depth is not None else page.bit_depth,
            plane=self._plane,
            sequence=self._sequence,
        )

    def _matches(self, name: str) -> bool:
        return any(fnmatch.fnmatch(name.lower(), p.lower()) for p in self._settings.names)

    def _pass(self, path: Path, why: str) -> None:
        self._taken.add(path.name)
        self._passed[why] = self._passed.get(why, 0) + 1

    def _check_kind(self, path: Path, pixels: Pixels) -> None:
        kind = (*pixels.shape, pixels.dtype)
        if self._shape is None:
            self._shape = kind
        if kind != self._shape:
            raise DetectorError(
                f"{self._where}: {path.name} is {kind[0]} × {kind[1]} {kind[2]}, the pictures "
                f"before were {self._shape[0]} × {self._shape[1]} {self._shape[2]}. Somebody "
                "changed the camera's settings; open the bench again if that was meant."
            )

    def _late(self, have: int, count: int) -> str:
        passed = ", ".join(f"{n} {why}" for why, n in sorted(self._passed.items())) or "none"
        return (
            f"{self._where}: {have} of {count} pictures came in time; passed over: {passed}. Check "
            "that the camera program runs and writes here, and that 'names' and 'delay' fit."
        )


def _only_page(path: Path, colour: Channel | None) -> Page:
    pages = list(read_pages(path, colour))
    if len(pages) != 1:
        raise FrameError(f"picture {path}: {len(pages)} pictures in it; one exposure a file.")
    return pages[0]


class ImageFolderDriver:
    """A camera whose program writes its frames into a folder."""

    settings = ImageFolderSettings

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> ImageFolderDetector:
        """Scan the folder once; what is there already is never used."""
        if not isinstance(settings, ImageFolderSettings):
            raise UsageError(f"detector {name}: settings must be ImageFolderSettings.")
        return ImageFolderDetector(name, plane, settings, clock)


DRIVER = ImageFolderDriver()
"""Entry point ``image-folder`` of the group ``autoalign.detectors``."""
