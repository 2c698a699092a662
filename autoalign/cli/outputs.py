"""Where files may be written: nothing is ever written over a file of another kind.

Every path that a person names for a file is judged here, before anything is opened or calculated:
its name must end as such a file does, and what stands there already must be one that this program
wrote. Devices and pipes are taken as they are.
"""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

__all__ = ["memory_file", "page_file", "picture_file"]

_HEAD = 8192
"""Bytes at a file's beginning that say what it is."""

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


def memory_file(option: str, path: Path | None) -> Path | None:
    """Return ``path`` where a bench may keep its memory, and the one before it beside it.

    A damaged memory is let through: it is set aside later, and not lost.

    Raises
    ------
    UsageError
        For another ending, or a file there that is no memory of a bench.
    """
    if path is None:
        return None
    _judged(option, path, "a bench's memory", (".json",), _was_memory)
    before = path.with_name(f"{path.stem}.previous{path.suffix}")
    _judged(option, before, "a bench's memory", (".json",), _is_memory)
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
            f"{option} {path}: {what} is written there, so its name must end in "
            f"{' or '.join(endings)}; for instance {example}. Nothing was written."
        )
    if not path.exists():
        return path
    with path.open("rb") as file:
        head = file.read(_HEAD)
    if head and not ours(head):
        found = "the record of a run" if head.startswith(_RECORD) else f"not {what} of this program"
        raise UsageError(
            f"{option} {path}: the file there is {found}, and is left as it is. Name another "
            "file, or move that one away. Nothing was written."
        )
    return path


def _is_page(head: bytes) -> bool:
    return head.startswith(b"<!DOCTYPE html>") and b'name="generator" content="autoalign"' in head


def _is_picture(head: bytes) -> bool:
    return head.startswith(_PNG) and b"Software\0autoalign" in head


def _was_memory(head: bytes) -> bool:
    return _is_memory(head) or not head.lstrip().startswith((b"{", b"["))


def _is_memory(head: bytes) -> bool:
    return b'"autoalign bench memory"' in head
