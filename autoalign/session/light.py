"""Whether a search has lost the beam by moving, or the light has gone out."""

from __future__ import annotations

from autoalign.beam.profile import Use
from autoalign.search.base import Observation, Vector

__all__ = ["Light"]

DARK_LOOKS = 3
"""So many looks in a row see no light, and the place where there was some is looked at again."""


class Light:
    """Follows the looks of one search; ``last`` is where some plane was last seen lit, or None."""

    def __init__(self) -> None:
        self.last: Vector | None = None
        self._dark, self._allowed = 0, DARK_LOOKS

    def note(self, seen: Observation) -> None:
        """Tell what was seen; looks without frames say nothing."""
        if any(p.use is not Use.NOTHING for p in seen.profiles.values()):
            self.last, self._dark = seen.positions, 0
        elif seen.profiles:
            self._dark += 1

    def ask_again(self) -> bool:
        """Return whether it is time to look again where there was light.

        After a look that found it there, twice as many dark looks are allowed as before: the
        search may wander, but not all night.
        """
        if self.last is None or self._dark < self._allowed:
            return False
        self._allowed *= 2
        return True

    @property
    def out(self) -> bool:
        """Whether the last look was dark."""
        return self._dark > 0
