"""Whether a search has lost the beam by moving, or the light or the camera has gone out."""

from __future__ import annotations

from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.strategies.base import Cause, Measurement, Vector

__all__ = ["SignalLoss"]

OLD_LOOKS = 3
"""Number of measurements in a row without one new frame, after which a search ends."""

DARK_LOOKS = 3
"""Number of dark measurements in a row after which the last position with light is measured."""


class SignalLoss:
    """Follows the measurements of one search; ``last`` is where a plane was last lit, or None."""

    def __init__(self) -> None:
        self.last: Vector | None = None
        self._dark, self._allowed, self._old = 0, DARK_LOOKS, 0

    def note(self, seen: Measurement) -> None:
        """Note a measurement; one without frames, or with old ones, says nothing of the light."""
        profiles = seen.profiles.values()
        stale = bool(profiles) or Cause.STALE in seen.causes
        if seen.verdict is None and all(map(_old, profiles)) and stale:
            self._old += 1
            return
        self._old = 0
        if any(p.use is not Use.NOTHING for p in profiles):
            self.last, self._dark = seen.positions, 0
        elif seen.profiles:
            self._dark += 1

    def ask_again(self) -> bool:
        """Return whether it is time to measure again where there was light.

        After a measurement that found it there, twice as many dark measurements are allowed as
        before: the search may wander, but not all night.
        """
        if self.last is None or self._dark < self._allowed:
            return False
        self._allowed *= 2
        return True

    @property
    def out(self) -> bool:
        """Whether the last measurement was dark."""
        return self._dark > 0

    @property
    def old(self) -> bool:
        """Whether the detectors gave nothing newer than the moves for several measurements."""
        return self._old >= OLD_LOOKS


def _old(profile: BeamProfile) -> bool:
    return FlagKind.STALE in profile.flags or FlagKind.FROZEN in profile.flags
