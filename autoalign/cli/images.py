"""Pictures from files as frames: the pixels as they stand, and what was done said in words."""

from __future__ import annotations

import glob
from collections.abc import Iterator, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.errors import FrameError, UsageError
from autoalign.frames import Frame

__all__ = ["SUFFIXES", "Options", "Shot", "find_files", "read_shots"]

SUFFIXES = (".png", ".tif", ".tiff", ".bmp", ".pgm", ".npy", ".fits", ".fit")
"""Files that are taken for pictures in a folder."""

_CHANNELS = ("red", "green", "blue")
_Array = npt.NDArray[Any]


@dataclass(frozen=True, slots=True)
class Options:
    """How pixels are to be read.

    ``pitch`` (x, y) mm; None leaves everything in pixels. ``bits`` that the camera delivers, where
    that is less than the file's type holds; ``channel`` of a colour picture. ``centred`` puts the
    plane's zero into the middle of the picture and lets y point up.
    """

    pitch: tuple[float, float] | None = None
    bits: int | None = None
    channel: str | None = None
    centred: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Shot:
    """One frame, the name under which it is reported, and what was done to read it."""

    name: str
    frame: Frame
    notes: tuple[str, ...] = field(default=())


def find_files(places: Sequence[str]) -> list[Path]:
    """Return the files that ``places`` (files, folders, patterns) mean, in order, each once.

    Raises
    ------
    UsageError
        For a place that does not exist, or where there is no picture.
    """
    found: list[Path] = []
    for place in places:
        path = Path(place)
        if path.is_dir():
            files = sorted(p for p in path.iterdir() if p.suffix.lower() in SUFFIXES)
        elif path.exists():
            files = [path]
        else:
            files = sorted(Path(name) for name in glob.glob(place, recursive=True))  # noqa: PTH207
            files = [p for p in files if p.is_file()]
        if not files:
            known = ", ".join(SUFFIXES)
            raise UsageError(f"{place}: there is no picture here. Looked for {known}.")
        found += files
    return list(dict.fromkeys(found))


def read_shots(path: Path, options: Options) -> Iterator[Shot]:
    """Yield every frame in a file: one for a picture, several for a stack.

    Raises
    ------
    FrameError
        For a file that cannot be read as a picture, or whose pixels cannot be a frame.
    """
    pitch = options.pitch or (1.0, 1.0)
    pages = list(_pages(path, options))
    for number, (pixels, notes) in enumerate(pages):
        name = f"{path}[{number}]" if len(pages) > 1 else str(path)
        try:
            frame = Frame(pixels, pitch, bit_depth=options.bits)
            if options.centred:
                rows, columns = pixels.shape
                middle = ((columns - 1) / 2, (rows - 1) / 2)
                frame = replace(frame, origin=middle, view=((1.0, 0.0), (0.0, -1.0)))
        except FrameError as error:
            raise FrameError(f"{name}: {error}") from None
        yield Shot(name, frame, tuple(notes))


def _pages(path: Path, options: Options) -> Iterator[tuple[_Array, list[str]]]:
    suffix = path.suffix.lower()
    try:
        if suffix == ".npy":
            yield np.load(path, allow_pickle=False), []
        elif suffix in (".fits", ".fit"):
            yield from _fits(path)
        else:
            yield from _pillow(path, options)
    except UsageError:
        raise
    except (OSError, ValueError, EOFError) as error:
        raise FrameError(f"{path}: this cannot be read as a picture ({error}).") from None


def _pillow(path: Path, options: Options) -> Iterator[tuple[_Array, list[str]]]:
    from PIL import Image, ImageSequence  # noqa: PLC0415 - only where a picture is read

    with Image.open(path) as image:
        for page in ImageSequence.Iterator(image):
            notes = [] if "gamma" not in page.info else ["gamma in the file was not applied"]
            yield _one_channel(path, page, options, notes), notes


def _one_channel(path: Path, page: Any, options: Options, notes: list[str]) -> _Array:
    """Return the pixels of a grey page, or of one channel of a colour page."""
    if page.mode in ("L", "F"):
        return np.asarray(page)
    if page.mode.startswith("I"):
        return _sixteen_bits(path, np.asarray(page), notes)
    if page.mode in ("RGB", "RGBA"):
        return _colour(path, np.asarray(page), options, notes)
    raise FrameError(
        f"{path}: pixels of kind {page.mode!r} are not measured. Save it as grey, 8 or 16 bits, or "
        "as RGB."
    )


def _sixteen_bits(path: Path, pixels: _Array, notes: list[str]) -> _Array:
    if pixels.dtype == np.uint16:
        return pixels
    if pixels.min() < 0 or pixels.max() > np.iinfo(np.uint16).max:
        raise FrameError(
            f"{path}: values of 32-bit integers do not fit into 16 bits; save as float."
        )
    notes.append("32-bit integers were read as 16-bit ones; no value changed")
    return pixels.astype(np.uint16)


def _colour(path: Path, pixels: _Array, options: Options, notes: list[str]) -> _Array:
    if options.channel is not None:
        notes.append(f"channel {options.channel} alone was measured")
        return np.ascontiguousarray(pixels[..., _CHANNELS.index(options.channel)])
    if np.array_equal(pixels[..., 0], pixels[..., 1]) and np.array_equal(
        pixels[..., 0], pixels[..., 2]
    ):
        notes.append("three equal colour channels; one was measured")
        return np.ascontiguousarray(pixels[..., 0])
    raise FrameError(
        f"{path}: this is a colour picture, and colours are not mixed here. Choose one channel: "
        "--channel red, green or blue."
    )


def _fits(path: Path) -> Iterator[tuple[_Array, list[str]]]:
    try:
        from astropy.io import fits  # noqa: PLC0415 - an extra
    except ImportError:
        raise UsageError(
            f"{path}: FITS files need the extra 'fits': pip install 'autoalign[fits]'."
        ) from None
    with fits.open(path) as units:
        for unit in units:
            if unit.data is not None and hasattr(unit.data, "dtype") and unit.is_image:
                pixels = np.asarray(unit.data)
                yield pixels.astype(np.float64), [f"{pixels.dtype} values were read as float64"]
