"""Two detectors that would read one and the same device: one camera cannot be at two planes."""

from __future__ import annotations

from itertools import combinations
from pathlib import Path
from typing import Any

from autoalign.config.drivers import Fitted
from autoalign.config.problems import Problems

__all__ = ["check_sharing"]

DEVICES = ("folder", "port", "device", "file")
"""Keys of a driver's settings that say what it reads; "channel" and "names" may divide it."""


def check_sharing(fitted: Fitted, problems: Problems) -> None:
    """Note every detector that reads what one before it reads already."""
    for (first, (_, a)), (second, (_, b)) in combinations(fitted.detectors.items(), 2):
        for key in DEVICES:
            device = getattr(b, key, None)
            if device is None or not _same(key, getattr(a, key, None), device):
                continue
            if not _divided(a, b):
                problems.add(
                    ("detectors", second, key),
                    f"{device} is already read by detector {first}, and one camera or meter cannot "
                    f"be at two planes. Give each its own {key}",
                )


def _same(key: str, one: Any, other: Any) -> bool:
    if key == "folder" and isinstance(one, str):
        return Path(one).resolve() == Path(other).resolve()
    return bool(one == other)


def _divided(a: Any, b: Any) -> bool:
    """Whether the two take different channels of a device, or different files of a folder."""
    if getattr(a, "channel", None) != getattr(b, "channel", None):
        return True
    names = [{n.lower() for n in getattr(s, "names", None) or ()} for s in (a, b)]
    return all(names) and not names[0] & names[1]
