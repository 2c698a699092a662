"""What every driver of a camera says of its pixels, and how they become a frame."""

from __future__ import annotations

from typing import Any, Literal

import numpy as np
from pydantic import Field

from autoalign.core.errors import DetectorError
from autoalign.core.frames import Frame, Pixels, View
from autoalign.pictures import Channel
from autoalign_drivers.unit_texts import Length, Settings

__all__ = ["PixelSettings", "frame_of", "one_channel"]

_VIEWS: dict[str, View] = {
    "straight": ((1.0, 0.0), (0.0, -1.0)),
    "mirrored": ((-1.0, 0.0), (0.0, -1.0)),
}
_BLUE_GREEN_RED = {"blue": 0, "green": 1, "red": 2}


class PixelSettings(Settings):
    """How pixels lie in the plane that is measured."""

    pitch: Length = Field(gt=0, description="Size of a pixel at its plane.")
    origin: tuple[float, float] | None = Field(
        default=None,
        strict=False,
        description="Pixel (column, row) at which the plane's zero lies; the middle if left out.",
    )
    view: Literal["straight", "mirrored"] = Field(
        default="straight",
        description="Whether the camera sees x to the right, or to the left as through a screen "
        "from behind; y is up in both.",
    )
    colour: Channel | None = Field(
        default=None, description="Colour channel of colour pictures to use."
    )
    bit_depth: int | None = Field(
        default=None, ge=1, le=16, description="Bits that the camera delivers."
    )


def frame_of(pixels: Pixels, settings: PixelSettings, **facts: Any) -> Frame:
    """Return ``pixels`` (rows, columns) as a frame; ``facts`` are further fields of it."""
    rows, columns = pixels.shape
    facts.setdefault("bit_depth", settings.bit_depth)
    return Frame(
        pixels,
        pitch=settings.pitch,
        origin=settings.origin or ((columns - 1) / 2, (rows - 1) / 2),
        view=_VIEWS[settings.view],
        **facts,
    )


def one_channel(picture: Pixels, colour: Channel | None, where: str) -> Pixels:
    """Return the one brightness of each pixel of ``picture``, never a mixture of colours.

    Three channels (rows, columns, blue green red) that are alike are those of a grey camera.

    Raises
    ------
    DetectorError
        Where they differ and no ``colour`` was chosen.
    """
    if picture.ndim == 2:
        return picture
    if colour is not None:
        return np.ascontiguousarray(picture[:, :, _BLUE_GREEN_RED[colour]])
    first = picture[:, :, 0]
    if not all(np.array_equal(first, picture[:, :, k]) for k in range(1, picture.shape[2])):
        raise DetectorError(
            f"{where}: the pictures are in colour. Choose the channel of the laser: colour = "
            '"red", "green" or "blue".'
        )
    return np.ascontiguousarray(first)
