"""The content of a journal's file and of the log beside it, taken into memory to be read.

Nothing is opened in place: a reader needs no lock, no room on the disk and no right to write, and
damage in one page of the file or in one frame of the log costs no other page. Each record proves by
its own digest whether it is sound, so pages of doubtful frames are used as well.

File and log are laid out as SQLite's descriptions "Database File Format" and "WAL-mode File Format"
have it (from memory): a log is a header of 32 bytes, then frames of 24 bytes and one page each. A
frame belongs to the log if it bears the two salts of its header; the frame that ends a transaction
gives the size of the database in pages; a checksum runs through all of them.
"""

from __future__ import annotations

import struct
from dataclasses import dataclass
from enum import Enum
from functools import cache
from pathlib import Path

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import JournalError

__all__ = ["Image", "Log", "take_image"]

_MAGIC = b"SQLite format 3\0"
_HEADER, _FRAME = 32, 24
_HEAD = 100
"""Bytes at the beginning of a database that describe it."""
_TRIES = 50


class Log(Enum):
    """How the log beside a journal is."""

    SOUND = "sound"
    TORN = "torn"
    """Its end was never finished, or is damaged; what was written before is sound."""
    DAMAGED = "damaged"


@dataclass(frozen=True, slots=True)
class Image:
    """The bytes of a database that needs no log any more, and how file and log were found.

    ``cut`` tells that the file is shorter than it says.
    """

    content: bytes
    log: Log = Log.SOUND
    cut: bool = False


def take_image(path: Path) -> Image:
    """Return what ``path`` and its log hold together, also while somebody writes them.

    Raises
    ------
    JournalError
        Where there is no such file, it cannot be read, or it is no database.
    """
    if not path.is_file():
        raise JournalError(f"journal {path}: there is no such file.")
    try:
        image, before = _take(path)
        for _ in range(_TRIES):
            if image.log is Log.SOUND:
                break
            image, now = _take(path)  # a frame that is just being written measurements torn
            if now == before:
                break
            before = now
    except OSError as error:
        raise JournalError(f"journal {path}: cannot be read: {error}.") from error
    if not image.content.startswith(_MAGIC):
        raise JournalError(f"journal {path}: it is no journal, or its beginning is damaged.")
    return image


def _take(path: Path) -> tuple[Image, bytes]:
    """Return the image, and the log that it was made with."""
    beside = path.with_name(path.name + "-wal")
    for _ in range(_TRIES):
        head = _content(beside, _HEADER)
        file = path.read_bytes()
        log = _content(beside)
        if log[:_HEADER] == head:  # else the log was folded into the file meanwhile
            break
    return _together(file, log), log


def _content(path: Path, size: int = -1) -> bytes:
    try:
        with path.open("rb") as file:
            return file.read(size)
    except FileNotFoundError:
        return b""


def _together(file: bytes, log: bytes) -> Image:
    size = _page_size(file, log)
    if size is None:
        return Image(file)
    frames, state = _frames(log, size)
    pages = bytearray(file.ljust(_HEAD, b"\0"))
    count = -(-len(pages) // size)
    most = count + len(frames)
    for frame in frames:
        end = frame.number * size
        if not 0 < frame.number <= most:
            continue
        pages.extend(bytes(max(end - len(pages), 0)))
        pages[end - size : end] = frame.page
        count = frame.total or count
    if frames:
        del pages[count * size :]
    pages.extend(bytes(-len(pages) % size))
    says, there = int.from_bytes(pages[28:32], "big"), len(pages) // size
    pages[28:32] = there.to_bytes(4, "big")
    pages[18:20] = b"\1\1"
    return Image(bytes(pages), state, says > there or len(file) % size > 0)


def _page_size(file: bytes, log: bytes) -> int | None:
    """Return the size of a page, from the file or else from its log; None where neither says."""
    said = [int.from_bytes(file[16:18], "big"), int.from_bytes(log[8:12], "big")]
    sizes = [65536 if s == 1 else s for s in said]
    return next((s for s in sizes if 512 <= s <= 65536 and s & (s - 1) == 0), None)


@dataclass(frozen=True, slots=True)
class _Frame:
    """One frame: page ``number`` from 1, ``total`` pages after the commit that it ends, or 0.

    ``salted`` and ``chained`` tell whether salts and checksum say that it belongs to the log.
    """

    number: int
    total: int
    page: bytes
    salted: bool
    chained: bool

    @property
    def ours(self) -> bool:
        """Whether it was written to this log; what is not is left from an earlier one."""
        return self.salted or self.chained


def _frames(log: bytes, size: int) -> tuple[list[_Frame], Log]:
    """Return the frames up to the last commit that is of use, and how the log is.

    SQLite takes a log up to its first frame that does not bear out its checksum. Where more was
    written behind that frame, the log was damaged later, and all up to the last commit is of use.
    Where nothing was, whoever wrote that frame may never have ended.
    """
    if not log:
        return [], Log.SOUND
    headed, frames = _parsed(log, size)
    rest = (len(log) - _HEADER) % (_FRAME + size) if len(log) > _HEADER else _HEADER - len(log)
    good = next((k for k, f in enumerate(frames) if not (f.salted and f.chained)), len(frames))
    ours = max((k + 1 for k, f in enumerate(frames) if f.ours), default=0)
    if (headed or not frames) and ours <= good + 1:
        state = Log.TORN if ours > good or (rest and good == len(frames)) else Log.SOUND
        return _committed(frames[:good]), state
    return _committed([f for f in frames[:ours] if f.ours]), Log.DAMAGED


def _committed(frames: list[_Frame]) -> list[_Frame]:
    end = max((k + 1 for k, f in enumerate(frames) if f.total), default=0)
    return frames[:end]


def _parsed(log: bytes, size: int) -> tuple[bool, list[_Frame]]:
    """Return whether the log's header is sound, and every whole frame behind it."""
    order = ">" if log[3:4] and log[3] & 1 else "<"
    sums = _checksum(log[:24].ljust(24, b"\0"), (0, 0), order)
    headed = log[24:_HEADER] == struct.pack(">2I", *sums)
    salts = log[16:24] if headed else log[_HEADER + 8 : _HEADER + 16]
    frames = []
    for at in range(_HEADER, len(log) - _FRAME - size + 1, _FRAME + size):
        head, page = log[at : at + _FRAME], log[at + _FRAME : at + _FRAME + size]
        sums = _checksum(head[:8] + page, sums, order)
        said = struct.unpack(">2I", head[16:])
        number, total = struct.unpack(">2I", head[:8])
        frames.append(_Frame(number, total, page, head[8:16] == salts, sums == said))
        sums = (said[0], said[1])
    return headed, frames


def _checksum(data: bytes, sums: tuple[int, int], order: str) -> tuple[int, int]:
    """Carry the log's running checksum on over ``data``, whose length is a multiple of 8.

    Pair by pair of words it is s0 += x + s1, s1 += y + s0, modulo 2³²: a linear recurrence with the
    matrix (1 1; 1 2), whose powers hold the Fibonacci numbers, so all pairs can be added at once.
    """
    words = np.frombuffer(data, dtype=f"{order}u4").astype(np.uint32)
    x, y = words[::2], words[1::2]
    f = _fibonacci(2 * len(x) + 2)
    even, odd, next_even = f[0:-2:2][::-1], f[1:-1:2][::-1], f[2::2][::-1]
    first = int(np.sum(odd * x + even * y, dtype=np.uint32))
    second = int(np.sum(next_even * x + odd * y, dtype=np.uint32))
    n = 2 * len(x)
    a, b, c = int(f[n - 1]), int(f[n]), int(f[n + 1])
    s0, s1 = sums
    return (a * s0 + b * s1 + first) % 2**32, (b * s0 + c * s1 + second) % 2**32


@cache
def _fibonacci(count: int) -> npt.NDArray[np.uint32]:
    """Return the first ``count`` Fibonacci numbers from 0, modulo 2³²."""
    found = [0, 1]
    while len(found) < count:
        found.append((found[-1] + found[-2]) % 2**32)
    return np.array(found, dtype=np.uint32)
