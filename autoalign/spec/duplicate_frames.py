"""Frames of two places that are one and the same picture: one camera stands for both."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from itertools import combinations

import numpy as np

from autoalign.core.frames import Frame

__all__ = ["duplicate_frames"]


def duplicate_frames(frames: Mapping[str, Sequence[Frame]]) -> tuple[str, ...]:
    """Return the names of two planes that gave one picture; empty where none did.

    No two cameras, and no camera twice, give the same noise in every pixel. A picture in which all
    pixels are alike (the cap is on, or there is no light and no noise) says nothing.
    """
    for one, other in combinations(frames, 2):
        if any(_same(a, b) for a in frames[one] for b in frames[other]):
            return one, other
    return ()


def _same(one: Frame, other: Frame) -> bool:
    a, b = one.pixels, other.pixels
    if a.shape != b.shape or not np.array_equal(a, b):
        return False
    return bool(np.any(a != a.flat[0]))
