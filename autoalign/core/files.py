"""Files that are there whole or not at all."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

__all__ = ["atomic_write", "open_unlinked"]


def atomic_write(path: str | Path, content: str | bytes, *, new: bool = False) -> Path:
    """Write ``content`` (text as UTF-8) to ``path`` and return it; its folder is made if missing.

    A reader finds the old file or the new one, never a part, also after a power cut or on a full
    disk. What is no ordinary file (a device, a pipe) is written to as it is. With ``new`` a file
    that is already there is never replaced. A link that somebody put in the way of the new part is
    removed, and what it points to is left as it is.

    Raises
    ------
    FileExistsError
        If ``new`` and there is such a file.
    OSError
        Where it cannot be written; what was there before is left as it was.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    if target.exists() and not target.is_file() and not new:
        target.write_bytes(data)
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f"{target.name}.part")
    try:
        beside.unlink(missing_ok=True)
        with os.fdopen(open_unlinked(beside, os.O_EXCL), "wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        if new:
            _place(beside, target)
        else:
            beside.replace(target)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise
    _keep_name(target.parent)
    return target


def open_unlinked(path: Path, flags: int = os.O_TRUNC) -> int:
    """Open ``path`` for writing, made if missing, and return its descriptor.

    In a folder that others can write to, a link in its place would lead to a file of ours.

    Raises
    ------
    OSError
        Where it cannot be opened, also where it is a link.
    """
    flags |= os.O_WRONLY | os.O_CREAT | getattr(os, "O_NOFOLLOW", 0) | getattr(os, "O_CLOEXEC", 0)
    flags |= getattr(os, "O_BINARY", 0)
    return os.open(path, flags, 0o666)


def _place(beside: Path, target: Path) -> None:
    """Give ``beside`` the name ``target``, which must be free."""
    try:
        target.hardlink_to(beside)
    except FileExistsError:
        raise
    except (OSError, NotImplementedError):  # a file system without hard links
        if target.exists():
            raise FileExistsError(f"{target} exists already") from None
        beside.replace(target)
    else:
        beside.unlink()


def _keep_name(folder: Path) -> None:
    """Have the names in ``folder`` survive a power cut, on systems where that has to be asked."""
    with suppress(OSError):
        handle = os.open(folder, os.O_RDONLY)
        try:
            os.fsync(handle)
        finally:
            os.close(handle)
