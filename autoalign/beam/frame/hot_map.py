"""Pixels that are known to be of no use, filled in from their neighbours before all else."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import FrameError
from autoalign.core.frames import Frame

__all__ = ["without_bad_pixels"]

Bools = npt.NDArray[np.bool_]
Floats = npt.NDArray[np.float64]

_ROUND = [(i, j) for i in (0, 1, 2) for j in (0, 1, 2) if (i, j) != (1, 1)]


def without_bad_pixels(frame: Frame, bad: npt.NDArray[np.bool_]) -> Frame:
    """Return ``frame`` with every pixel that is True in ``bad`` (rows, columns) filled in.

    Each takes the mean of the good ones among its eight neighbours; clusters are filled from their
    rim inwards. Whatever such a pixel holds, NaN included, plays no part.

    Raises
    ------
    FrameError
        For a map of another shape or kind, or one that leaves no good pixel.
    """
    pixels = frame.pixels
    if bad.shape != pixels.shape or bad.dtype != np.bool_:
        raise FrameError(
            f"hot-pixel map has shape {bad.shape} and type {bad.dtype}, the frame {pixels.shape}; "
            "it needs one bool for every pixel of the frame."
        )
    if bad.all():
        raise FrameError("hot-pixel map: it leaves no good pixel.")
    if not bad.any():
        return frame
    filled = _filled(pixels.astype(np.float64), bad.copy())
    whole = np.rint(filled) if pixels.dtype.kind == "u" else filled
    return replace(frame, pixels=whole.astype(pixels.dtype))


def _filled(values: Floats, bad: Bools) -> Floats:
    while bad.any():
        rows, columns = np.nonzero(bad)
        good = np.pad(~bad, 1)
        around = np.pad(np.where(bad, 0.0, values), 1)
        count = sum(good[rows + i, columns + j].astype(np.intp) for i, j in _ROUND)
        total = sum(around[rows + i, columns + j] for i, j in _ROUND)
        known = np.asarray(count) > 0
        rows, columns = rows[known], columns[known]
        values[rows, columns] = np.asarray(total)[known] / np.asarray(count)[known]
        bad[rows, columns] = False
    return values
