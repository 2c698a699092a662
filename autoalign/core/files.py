"""Files that are there whole or not at all."""

from __future__ import annotations

import os
from contextlib import suppress
from pathlib import Path

__all__ = ["write_whole"]


def write_whole(path: str | Path, content: str | bytes) -> Path:
    """Write ``content`` (text as UTF-8) to ``path`` and return it; its folder is made if missing.

    A reader finds the old file or the new one, never a part, also after a power cut or on a full
    disk. What is no ordinary file (a device, a pipe) is written to as it is.

    Raises
    ------
    OSError
        Where it cannot be written; what was there before is left as it was.
    """
    target = Path(path)
    data = content.encode("utf-8") if isinstance(content, str) else content
    if target.exists() and not target.is_file():
        target.write_bytes(data)
        return target
    target.parent.mkdir(parents=True, exist_ok=True)
    beside = target.with_name(f"{target.name}.part")
    try:
        with beside.open("wb") as file:
            file.write(data)
            file.flush()
            os.fsync(file.fileno())
        beside.replace(target)
    except OSError:
        with suppress(OSError):
            beside.unlink()
        raise
    return target
