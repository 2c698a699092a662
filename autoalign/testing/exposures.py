"""What the suites compare exposures by."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.frames import Frame
from autoalign.core.interfaces import Exposure

__all__ = ["contents"]


def contents(exposure: Exposure) -> npt.NDArray[Any]:
    """Return a copy of the pixels of a frame, or of the values of a reading."""
    if isinstance(exposure, Frame):
        return exposure.pixels.copy()
    return np.array(list(exposure.values.values()))
