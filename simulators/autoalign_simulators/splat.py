"""Pictures of folded or focused light: the pupil in many small patches, laid on the pixels."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign_simulators.inverse import refinement

__all__ = ["deposit", "splat"]

Floats = npt.NDArray[Any]
Box = tuple[int, int, int, int]
Mask = Callable[[Mapping[str, tuple[Any, Any]], float], Any]

_FINEST = 1500
_PER_PIXEL = 6.0


def splat(
    fields: Mapping[str, Floats], prints: Mapping[str, tuple[Floats, Floats]], step: float,
    mask: Mask, box: Box,
) -> npt.NDArray[np.float32]:  # fmt: skip
    """Lay a refined pupil grid on the pixels of ``box`` (top, bottom, left, right).

    Parameters
    ----------
    fields
        "column", "row", pixels, and "density", power per mm², each (n, n) on the pupil grid.
    prints
        Local coordinates by edge or element, (n, n) each, mm.
    step
        Spacing of the grid, mm.
    mask
        What of ``prints`` is let through, for a softness in mm.
    """
    size = len(fields["column"])
    widest = max(
        float(np.nanmax(np.abs(np.diff(fields[k], axis=a))))
        for k in ("column", "row")
        for a in (0, 1)
    )
    fine = int(min(max(size, _PER_PIXEL * widest * size), _FINEST))
    up = _between(size, fine)

    def refined(field: Floats) -> npt.NDArray[np.float32]:
        return np.asarray(up @ field.astype(np.float32) @ up.T)

    small = step * (size - 1) / (fine - 1)
    through = mask({k: (refined(x), refined(y)) for k, (x, y) in prints.items()}, small)
    power = np.maximum(refined(fields["density"]), 0) * through * small**2
    return deposit(refined(fields["column"]), refined(fields["row"]), power, box)


def deposit(column: Floats, row: Floats, power: Floats, box: Box) -> npt.NDArray[np.float32]:
    """Share every patch among the four pixels around it, by distance."""
    top, bottom, left, right = box
    height, width = bottom - top, right - left
    inside = (power > 0) & (column >= left) & (column < right - 1)
    inside &= (row >= top) & (row < bottom - 1)
    c, r, w = column[inside] - left, row[inside] - top, power[inside]
    ci, ri = c.astype(np.intp), r.astype(np.intp)
    fc, fr = c - ci, r - ri
    place = ri * width + ci
    out = np.zeros(height * width)
    for dr, dc, share in (
        (0, 0, (1 - fr) * (1 - fc)), (0, 1, (1 - fr) * fc),
        (1, 0, fr * (1 - fc)), (1, 1, fr * fc),
    ):  # fmt: skip
        out += np.bincount(place + dr * width + dc, w * share, minlength=out.size)
    return out.reshape(height, width).astype(np.float32)


def _between(size: int, fine: int) -> npt.NDArray[np.float32]:
    """Interpolation from ``size`` nodes to ``fine`` equally spaced points over the same span."""
    return refinement(np.linspace(0, fine - 1, size), 0, fine)
