"""A picture file as frames, with what is known of pixels, planes and saturation."""

from __future__ import annotations

import glob
import warnings
from collections.abc import Iterable, Sequence
from dataclasses import dataclass, field, replace
from pathlib import Path

import numpy as np

from autoalign.core.errors import AlignError, FrameError, UsageError
from autoalign.core.frames import Frame, Pixels
from autoalign.pictures.pages import Channel, Page, read_pages

__all__ = ["SUFFIXES", "Picture", "find_pictures", "read_pictures"]

# Which files a file, a folder or a pattern means.

SUFFIXES = (
    ".png", ".tif", ".tiff", ".bmp", ".pgm", ".npy", ".fits", ".fit", ".fits.gz", ".fit.gz", ".raw",
)  # fmt: skip
"""Endings of the files that are taken for pictures in a folder."""


def find_pictures(places: Sequence[str | Path]) -> list[Path]:
    """Return the files that ``places`` (files, folders, patterns) mean, in order, each once.

    The sidecar of a raw file is no picture, also where a pattern takes it in.

    Raises
    ------
    UsageError
        For a place that does not exist, or where there is no picture.
    """
    found: list[Path] = []
    for place in places:
        path = Path(place)
        if path.is_dir():
            files = sorted(p for p in path.iterdir() if p.name.lower().endswith(SUFFIXES))
        elif path.exists():
            files = [path]
        else:
            named = sorted(Path(n) for n in glob.glob(str(place), recursive=True))  # noqa: PTH207
            files = _without_sidecars(p for p in named if p.is_file())
        if not files:
            known = ", ".join(SUFFIXES)
            raise UsageError(f"{place}: there is no picture here. Supported: {known}.")
        found += files
    return list(dict.fromkeys(found))


def _without_sidecars(files: Iterable[Path]) -> list[Path]:
    files = list(files)
    raw = {p.with_suffix("") for p in files if p.suffix.lower() == ".raw"}
    return [p for p in files if not (p.suffix.lower() == ".json" and p.with_suffix("") in raw)]


@dataclass(frozen=True, slots=True, eq=False)
class Picture:
    """One frame, the name under which it is reported, and what was done to read it.

    ``scaled`` tells whether the size of a pixel is known; otherwise it counts as 1 and all lengths
    are in pixels.
    """

    name: str
    frame: Frame
    notes: tuple[str, ...] = field(default=())
    scaled: bool = True


def read_pictures(
    path: str | Path,
    *,
    pitch: float | tuple[float, float] | None = None,
    bit_depth: int | None = None,
    channel: Channel | None = None,
    centred: bool = False,
) -> list[Picture]:
    """Read every frame in a file: one for a picture, several for a stack.

    PNG, TIFF (8, 10, 12, 14 and 16 bits, float), BMP, PGM, NPY, FITS (with the extra
    ``fits``; also .fits.gz), and raw pixels with a sidecar (see :mod:`autoalign.pictures.raw`).
    Pixels are used as stored: never scaled, decoded or mixed; ``Picture.notes`` says what was done.

    Parameters
    ----------
    pitch
        Size of a pixel at the plane, mm: one number, or (x, y). None: what a sidecar says, and
        otherwise 1, so that lengths are in pixels.
    bit_depth
        Bits that the camera delivers, where the file could hold more; sets the saturation level.
        Values that use the upper bits of 16 are divided down to them, which loses nothing.
    channel
        "red", "green" or "blue" of a colour picture.
    centred
        Put the plane's zero into the middle of the picture and let y point up.

    Raises
    ------
    FrameError
        For a file that cannot be read as a picture, or whose pixels cannot be a frame.
    """
    path = Path(path)
    try:
        with warnings.catch_warnings(record=True) as caught:
            warnings.simplefilter("always")
            pages = list(read_pages(path, channel))
    except AlignError:
        raise
    except Exception as error:  # noqa: BLE001 - readers of broken files raise anything
        raise FrameError(f"{path}: this cannot be read as a picture ({error}).") from None
    warned = tuple(dict.fromkeys(f"its reader warns: {w.message}" for w in caught))
    pages = [replace(page, notes=(*page.notes, *warned)) for page in pages]
    pictures = []
    for number, page in enumerate(pages):
        name = f"{path}[{number}]" if len(pages) > 1 else str(path)
        try:
            pictures.append(_picture(name, page, pitch, bit_depth, centred))
        except FrameError as error:
            raise FrameError(f"{name}: {error}") from None
    return pictures


def _picture(
    name: str,
    page: Page,
    pitch: float | tuple[float, float] | None,
    bit_depth: int | None,
    centred: bool,
) -> Picture:
    notes = list(page.notes)
    said = page.pitch
    if pitch is not None and said is not None and pitch not in (said, (said, said)):
        notes.append(f"the pitch asked for was taken, not the {said:g} mm of the sidecar")
    size = pitch if pitch is not None else said
    bits = bit_depth if bit_depth is not None else page.bit_depth
    frame = Frame(
        _lowered(page.pixels, bits, notes),
        1.0 if size is None else size,
        bit_depth=bits,
        exposure=page.exposure,
        plane=page.plane,
    )
    if centred:
        rows, columns = frame.pixels.shape
        middle = ((columns - 1) / 2, (rows - 1) / 2)
        frame = replace(frame, origin=middle, view=((1.0, 0.0), (0.0, -1.0)))
    return Picture(name, frame, tuple(notes), size is not None)


def _lowered(pixels: Pixels, bits: int | None, notes: list[str]) -> Pixels:
    """Bring values that stand in the upper bits of 16 down to ``bits``; say what is noticed."""
    if pixels.dtype != np.uint16 or pixels.size == 0:
        return pixels
    empty = _empty_bits(pixels)
    if bits is None:
        if empty >= 2:
            notes.append(
                f"every value is a multiple of {2**empty}: the camera seems to deliver "
                f"{16 - empty} bits; say so, or saturation is missed"
            )
        return pixels
    if not 1 <= bits <= 16 or int(pixels.max()) < 2**bits:
        return pixels
    if empty >= 16 - bits:
        notes.append(f"values in the upper {bits} of 16 bits were divided by {2 ** (16 - bits)}")
        return pixels >> np.uint16(16 - bits)
    raise FrameError(f"values up to {pixels.max()} are more than {bits} bits can hold.")


def _empty_bits(pixels: Pixels) -> int:
    """How many of the lowest bits are 0 in every pixel; 0 for a picture of nothing but zeros."""
    used = int(np.bitwise_or.reduce(pixels, axis=None))
    return (used & -used).bit_length() - 1 if used else 0
