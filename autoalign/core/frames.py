"""What a camera gives: pixels, and what is needed to read them as millimetres."""

from __future__ import annotations

import math
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import FrameError

__all__ = ["Frame", "Pixels", "View"]

Pixels = npt.NDArray[Any]
View = tuple[tuple[float, float], tuple[float, float]]

_KINDS = "uint8, uint16, float32 or float64"


@dataclass(frozen=True, slots=True, eq=False)
class Frame:
    """One exposure of one camera.

    Parameters
    ----------
    pixels
        (rows, columns), uint8, uint16, float32 or float64. Kept as given, never copied, scaled or
        written to.
    pitch
        Size of a pixel at the plane that is measured, mm: one number, or (x, y).
    origin
        Pixel coordinates (column, row) of the plane's zero, counted from the centre of the first
        pixel. The default puts it into that centre.
    exposure
        s, or None.
    started, ended
        Begin and end of the exposure on the bench's clock, s, or None. A frame that started before
        a move had settled never reaches a decision.
    bit_depth
        Bits that the camera delivers; sets the saturation level. None: the full range of an
        integer type, no saturation level for floats.
    plane
        Name of the plane, or "".
    sequence
        The camera's frame counter, or None.
    view
        How the camera views the plane: the orthogonal matrix that turns image axes (x along the
        columns, y along the rows, downwards) into plane axes (x in the plane of incidence, y up),
        row by row. A camera behind a translucent screen mirrors; one hung sideways rotates.

    Raises
    ------
    FrameError
        For pixels that are not a two-dimensional array of an allowed kind, or a pitch that is not
        larger than 0.
    """

    pixels: Pixels
    pitch: float | tuple[float, float] = 1.0
    origin: tuple[float, float] = (0.0, 0.0)
    exposure: float | None = None
    started: float | None = None
    ended: float | None = None
    bit_depth: int | None = None
    plane: str = ""
    sequence: int | None = None
    view: View = ((1.0, 0.0), (0.0, 1.0))

    def __post_init__(self) -> None:
        where = f"frame of plane {self.plane!r}" if self.plane else "frame"
        array = self.pixels
        if not isinstance(array, np.ndarray):
            raise FrameError(f"{where}: pixels are a {type(array).__name__}; give a numpy array.")
        if array.ndim != 2:
            raise FrameError(
                f"{where}: pixels have shape {array.shape}; two dimensions (rows, columns) are "
                "needed. Choose one colour channel or one image of the stack first."
            )
        if min(array.shape) < 1:
            raise FrameError(f"{where}: pixels have shape {array.shape}; there is nothing in it.")
        if array.dtype not in (np.uint8, np.uint16, np.float32, np.float64):
            raise FrameError(f"{where}: pixels are {array.dtype}; allowed are {_KINDS}.")
        pair = self.pitch if isinstance(self.pitch, tuple) else (self.pitch, self.pitch)
        if len(pair) != 2 or not all(math.isfinite(p) and p > 0 for p in pair):
            raise FrameError(f"{where}: pitch {self.pitch!r} mm must be larger than 0.")
        if self.bit_depth is not None and not 1 <= self.bit_depth <= 16:
            raise FrameError(f"{where}: bit depth {self.bit_depth!r}; allowed is 1 to 16.")
        matrix = np.asarray(self.view, dtype=float)
        if matrix.shape != (2, 2) or not np.allclose(matrix @ matrix.T, np.eye(2), atol=1e-9):
            raise FrameError(f"{where}: view {self.view!r} is not an orthogonal 2 × 2 matrix.")

    @property
    def pitch_x(self) -> float:
        """Width of a pixel at the plane, mm."""
        return self.pitch[0] if isinstance(self.pitch, tuple) else self.pitch

    @property
    def pitch_y(self) -> float:
        """Height of a pixel at the plane, mm."""
        return self.pitch[1] if isinstance(self.pitch, tuple) else self.pitch

    @property
    def saturation(self) -> float | None:
        """The pixel value at which the camera saturates, or None where that is not known."""
        if self.bit_depth is not None:
            return float(2**self.bit_depth - 1)
        if self.pixels.dtype.kind == "u":
            return float(np.iinfo(self.pixels.dtype).max)
        return None
