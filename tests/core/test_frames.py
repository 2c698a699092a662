"""Frames refuse what cannot be a frame, and keep pixels as they came."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.core.errors import FrameError
from autoalign.core.frames import Frame


@pytest.mark.parametrize(
    ("pixels", "message"),
    [
        (np.zeros(5, np.uint8), r"shape \(5,\); two dimensions"),
        (np.zeros((4, 4, 3), np.uint8), "choose one colour channel"),
        (np.zeros((0, 4), np.uint8), "nothing in it"),
        (np.zeros((4, 4), np.int64), "int64; allowed are uint8, uint16, float32 or float64"),
        ([[1, 2], [3, 4]], "list; give a numpy array"),
    ],
)
def test_refused_pixels_say_why(pixels: object, message: str) -> None:
    """Each refusal names what was given and what is allowed."""
    with pytest.raises(FrameError, match=f"(?i){message}"):
        Frame(pixels)  # type: ignore[arg-type]


@pytest.mark.parametrize("pitch", [0.0, -1.0, float("nan"), (1.0, 0.0)])
def test_pitch_must_be_positive(pitch: float) -> None:
    """A pixel has a size."""
    with pytest.raises(FrameError, match="pitch"):
        Frame(np.zeros((4, 4)), pitch=pitch)


def test_view_must_be_orthogonal() -> None:
    """A view that would stretch the picture is refused."""
    with pytest.raises(FrameError, match="orthogonal"):
        Frame(np.zeros((4, 4)), view=((1.0, 0.0), (0.5, 1.0)))


def test_pixels_are_not_copied() -> None:
    """The array is the caller's own."""
    pixels = np.zeros((4, 4), np.uint8)
    assert Frame(pixels).pixels is pixels


@pytest.mark.parametrize(
    ("dtype", "bits", "level"),
    [
        ("uint8", None, 255.0),
        ("uint16", 12, 4095.0),
        ("uint16", None, 65535.0),
        ("float64", None, None),
    ],
)
def test_saturation_level(dtype: str, bits: int | None, level: float | None) -> None:
    """The saturation level follows from the bit depth, or the full range of an integer."""
    assert Frame(np.zeros((2, 2), dtype), bit_depth=bits).saturation == level
