"""How a real source glows: off its chief ray, uneven, and not always at the same strength."""

from __future__ import annotations

import math
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.optics.layout import Source
from autoalign.optics.sources import emission
from autoalign_simulators.ugly_light import PupilShape

__all__ = ["Glow"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Glow:
    """Far field of a source, as a factor on the nominal one.

    Parameters
    ----------
    centre
        Direction cosines (x, y) of its middle, in the source's frame.
    slope
        Relative change of intensity from the middle to the edge of the NA, along x and y.
    mottle
        Amplitude of a smooth pattern of mode mottling.
    phases
        Phases of the pattern, rad, four of them.
    shape
        What else shapes the light over the pupil.
    """

    centre: tuple[float, float] = (0.0, 0.0)
    slope: tuple[float, float] = (0.0, 0.0)
    mottle: float = 0.0
    phases: tuple[float, float, float, float] = (0.0, 0.0, 0.0, 0.0)
    shape: PupilShape = field(default_factory=PupilShape)

    @classmethod
    def draw(cls, rng: np.random.Generator, na: float) -> Glow:
        """Draw an everyday source: off by up to a tenth of its NA, uneven by some per cent."""
        return cls(
            centre=(float(rng.uniform(-0.1, 0.1) * na), float(rng.uniform(-0.1, 0.1) * na)),
            slope=(float(rng.normal(0, 0.05)), float(rng.normal(0, 0.05))),
            mottle=0.03,
            phases=tuple(rng.uniform(0, 2 * math.pi, 4).tolist()),
        )

    def intensity(self, source: Source, l: Floats, m: Floats) -> Floats:  # noqa: E741
        """Return the radiant intensity towards direction cosines ``l``, ``m``.

        1 in the middle of a perfect source; same shape as ``l``. A uniform far field goes on beyond
        its hard edge, which is one of :attr:`.Train.edges`.
        """
        dl, dm = l - self.centre[0], m - self.centre[1]
        profile: Floats = emission(source, dl * dl + dm * dm)
        return np.asarray(profile * self.unevenness(dl / source.na, dm / source.na))

    def unevenness(self, p: Floats, q: Floats) -> Floats | float:
        """Return the factor on the nominal light at ``p``, ``q``; plain 1 where it is even.

        Coordinates of the pupil in units of the light's own radius: sines over the NA of a source,
        places over half the diameter of a beam.
        """
        shape = self.shape(p, q)
        if self.mottle == 0 and self.slope == (0.0, 0.0):
            return shape
        a, b, c, d = self.phases
        pattern = np.cos(5 * p + a) * np.cos(4 * q + b) + np.cos(7 * q - 3 * p + c) * np.cos(
            6 * p + d
        )
        uneven = 1 + self.slope[0] * p + self.slope[1] * q + 0.5 * self.mottle * pattern
        return np.asarray(shape * np.maximum(uneven, 0.0))
