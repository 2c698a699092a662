"""A plane with its screen: how it truly stands, and how a camera views it."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np

from autoalign.core.frames import View
from autoalign.optics.pose import Pose
from autoalign_simulators.pixelmap import PixelMap

__all__ = ["OWN_PITCH", "ROLL", "Screen", "View", "field_map"]

ROLL = math.radians(0.5)
"""Standard deviation of a screen's turn about the beam, rad."""

OWN_PITCH = 1 / 6
"""Standard deviation of what columns and rows each have for themselves, of the common error."""


@dataclass(frozen=True, slots=True)
class Screen:
    """What is wrong with a screen and with what is known of its camera.

    Parameters
    ----------
    tilt
        Turn about the plane's x and y, rad.
    roll
        Turn about the beam, rad.
    mark
        Where the mark truly is that is taken for the plane's zero, mm.
    distance
        How much further away than in the plan it stands, mm.
    pitch
        Relative error of the pixel pitch, along columns and rows.
    """

    tilt: tuple[float, float] = (0.0, 0.0)
    roll: float = 0.0
    mark: tuple[float, float] = (0.0, 0.0)
    distance: float = 0.0
    pitch: tuple[float, float] = (0.0, 0.0)

    @classmethod
    def draw(cls, rng: np.random.Generator, distance: float, mark: float, pitch: float) -> Screen:
        """Draw an everyday screen.

        ``distance`` and ``mark``, mm, and ``pitch``, relative, are standard deviations. Columns and
        rows each have :data:`OWN_PITCH` of that for themselves.
        """
        tilt, shift, common, own = rng.normal(size=(4, 2))
        return cls(
            tilt=(5e-3 * float(tilt[0]), 5e-3 * float(tilt[1])),
            roll=float(rng.normal(0, ROLL)),
            mark=(mark * float(shift[0]), mark * float(shift[1])),
            distance=float(rng.normal(0, distance)),
            pitch=(
                pitch * float(common[0] + own[0] * OWN_PITCH),
                pitch * float(common[0] + own[1] * OWN_PITCH),
            ),
        )

    @property
    def pose(self) -> Pose:
        """From the screen's own frame to the plane's."""
        a, b, c = (*self.tilt, self.roll)
        about_x = np.array(
            [[1, 0, 0], [0, math.cos(a), -math.sin(a)], [0, math.sin(a), math.cos(a)]]
        )
        about_y = np.array(
            [[math.cos(b), 0, math.sin(b)], [0, 1, 0], [-math.sin(b), 0, math.cos(b)]]
        )
        about_z = np.array(
            [[math.cos(c), -math.sin(c), 0], [math.sin(c), math.cos(c), 0], [0, 0, 1]]
        )
        return Pose(about_x @ about_y @ about_z, np.array([*self.mark, self.distance]))


def field_map(
    pitch: float,
    origin: tuple[float, float],
    view: View,
    error: tuple[float, float],
    distortion: float = 0.0,
) -> PixelMap:
    """Return where pixels truly lie on the screen.

    ``pitch``, ``origin`` and ``view`` as a :class:`autoalign.Frame` states them; ``error`` is the
    relative error of the pitch; ``distortion`` as of :class:`.PixelMap`.
    """
    px, py = pitch * (1 + error[0]), pitch * (1 + error[1])
    (a, b), (c, d) = view
    matrix = ((a * px, b * py), (c * px, d * py))
    offset = (
        -(matrix[0][0] * origin[0] + matrix[0][1] * origin[1]),
        -(matrix[1][0] * origin[0] + matrix[1][1] * origin[1]),
    )
    return PixelMap(matrix, offset, origin, distortion)
