"""Where files may be written: a file of another kind is never overwritten.

Every output path is checked here, before anything is opened or calculated: its name must have the
right ending, and a file that is already there must be one that this program wrote. Devices and
pipes are accepted.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

__all__ = ["calibration_file", "page_file", "picture_file"]

_HEAD = 8192
"""Bytes at the start of a file that identify it."""

_RECORD = b"SQLite format 3\0"
_PNG = b"\x89PNG\r\n\x1a\n"


def page_file(option: str, path: Path) -> Path:
    """Return ``path`` where an HTML page may be written; ``option`` asked for it.

    Raises
    ------
    UsageError
        For another ending, or a file that is no page of this program.
    """
    return _judged(option, path, "an HTML page", (".html", ".htm"), _is_page)


def picture_file(option: str, path: Path) -> Path:
    """Return ``path`` where a PNG picture may be written; ``option`` asked for it.

    Raises
    ------
    UsageError
        For another ending, or a file that is no picture of this program.
    """
    return _judged(option, path, "a PNG picture", (".png",), _is_picture)


def calibration_file(option: str, path: Path | None) -> Path | None:
    """Return ``path`` if a calibration, and the previous one beside it, may be kept there.

    A damaged calibration is accepted here: it is set aside later, and not lost.

    Raises
    ------
    UsageError
        For another ending, or a file there that is no calibration of a bench.
    """
    if path is None:
        return None
    _judged(option, path, "a calibration", (".json",), _was_calibration)
    before = path.with_name(f"{path.stem}.previous{path.suffix}")
    _judged(option, before, "a calibration", (".json",), _is_calibration)
    return path


def _judged(
    option: str, path: Path, what: str, endings: tuple[str, ...], ours: Callable[[bytes], bool]
) -> Path:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    if path.exists() and not path.is_file():
        return path
    example = path.with_suffix(endings[0]).name
    if path.suffix.lower() not in endings:
        raise UsageError(
            f"{option} {path}: {what} needs a name that ends in {' or '.join(endings)}, for "
            f"example {example}. Nothing was written."
        )
    if not path.exists():
        return path
    with path.open("rb") as file:
        head = file.read(_HEAD)
    if head and not ours(head):
        found = (
            "the journal of a run" if head.startswith(_RECORD) else f"not {what} of this program"
        )
        raise UsageError(
            f"{option} {path}: the existing file is {found}, and was not overwritten. Choose "
            "another name, or move that file. Nothing was written."
        )
    return path


def _is_page(head: bytes) -> bool:
    return head.startswith(b"<!DOCTYPE html>") and b'name="generator" content="autoalign"' in head


def _is_picture(head: bytes) -> bool:
    return head.startswith(_PNG) and b"Software\0autoalign" in head


def _was_calibration(head: bytes) -> bool:
    return _is_calibration(head) or not head.lstrip().startswith((b"{", b"["))


def _is_calibration(head: bytes) -> bool:
    return b'"autoalign bench calibration"' in head
