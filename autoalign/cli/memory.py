"""What a bench remembers of itself from one alignment to the next, in a file of one's choice."""

from __future__ import annotations

import json
import os
from pathlib import Path
from typing import Any

from autoalign.cli.output import warn
from autoalign.errors import UsageError

__all__ = ["recall", "remember"]


def recall(path: Path | None) -> Any:
    """Return what ``path`` holds; None where there is no path or no file yet.

    Raises
    ------
    UsageError
        For a file that is not ours. It is left as it is.
    """
    if path is None or not path.exists():
        return None
    try:
        return json.loads(path.read_text(encoding="utf-8"))
    except (OSError, ValueError) as error:
        raise UsageError(
            f"memory {path}: this cannot be read ({error}). Name another file, or move it away."
        ) from None


def remember(path: Path | None, memory: Any) -> None:
    """Write ``memory`` to ``path``, whole or not at all; nothing where there is nothing to say."""
    if path is None or memory is None:
        return
    path.parent.mkdir(parents=True, exist_ok=True)
    beside = path.with_name(f"{path.name}.new")
    try:
        beside.write_text(json.dumps(memory), encoding="utf-8")
        os.replace(beside, path)  # noqa: PTH105 - the one call that is atomic everywhere
    except OSError as error:
        warn(f"memory {path} could not be written ({error}); the next run starts without it.")
