"""A power meter behind a pinhole or a fibre's end."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np

from autoalign.core.errors import DetectorError
from autoalign.core.interfaces import Reading
from autoalign_simulators.truth import Pinhole, Truth

__all__ = ["MeterTraits", "PinholeMeter"]


@dataclass(frozen=True, slots=True)
class MeterTraits:
    """How a meter is set up.

    Parameters
    ----------
    pinhole
        What it stands behind.
    averaging
        Duration of one reading, s.
    relative_noise, floor
        Standard deviations: a part of the reading, and a part of the source's power.
    """

    pinhole: Pinhole
    averaging: float = 0.05
    relative_noise: float = 2e-3
    floor: float = 1e-5


class PinholeMeter:
    """See :class:`autoalign.core.interfaces.Detector`; gives ``power``, a part of the source's.

    Parameters
    ----------
    name
        Of the detector.
    truth
        What the light does.
    traits
        How the meter is set up.
    seed
        Of its noise.
    """

    def __init__(self, name: str, truth: Truth, traits: MeterTraits, seed: int) -> None:
        self._name = name
        self.truth = truth
        self.traits = traits
        self._seed = seed
        self._taken = 0

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane that the pinhole stands in."""
        return self.traits.pinhole.plane

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return ``count`` readings, each begun at or after ``not_before`` (clock, s).

        Raises
        ------
        DetectorError
            Where they would come after ``deadline``.
        """
        clock, traits = self.truth.world.clock, self.traits
        readings: list[Reading] = []
        for _ in range(count):
            begin = max(clock.now(), not_before)
            end = begin + traits.averaging
            if end > deadline:
                clock.sleep(max(deadline - clock.now(), 0.0))
                raise DetectorError(
                    f"meter {self._name}: {len(readings)} of {count} readings had come by the "
                    f"deadline at {deadline:.3f} s; one takes {traits.averaging:g} s. Allow more "
                    "time."
                )
            clock.sleep(max(end - clock.now(), 0.0))
            readings.append(self._reading(begin, end))
        return readings

    def close(self) -> None:
        """Do nothing; there is no hardware to let go of."""

    def _reading(self, begin: float, end: float) -> Reading:
        self._taken += 1
        rng = np.random.default_rng([self._seed, self._taken])
        t = self.traits
        exact = self.truth.through(t.pinhole) * self.truth.world.brightness(begin)
        u = float(np.hypot(t.relative_noise * exact, t.floor))
        value = exact + u * float(rng.standard_normal())
        return Reading({"power": value}, {"power": u}, {"power": "1"}, self.plane, begin, end)
