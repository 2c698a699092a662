"""What a session checks and says: needs, strides, and how the end compares with the start."""

from __future__ import annotations

import math
from collections.abc import Sequence

from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.core.axes import Axis
from autoalign.core.errors import MissingNeedError
from autoalign.optics.layout import Layout
from autoalign.spec.terms import Spec, TermValue, Verdict
from autoalign.strategies.base import Cause, Measurement, Need, Strategy, Vector

__all__ = [
    "CENTRINGS",
    "SignalLoss",
    "beyond_noise",
    "check_needs",
    "compare",
    "more_frames",
    "near_limit",
    "strides",
]

# Whether a search has lost the beam by moving, or the light or the camera has gone out.

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


CENTRINGS = 2
"""Number of corrections after a measurement in spec, if it is close to a limit."""
KNOWN, UNKNOWN = 0.15, 0.5
"""Uncertainty of a term in units of its tolerance with which a beam near the middle is shown to be
in spec, and with which nothing is."""
FEWEST_MORE, MOST_MORE = 4, 36
"""Times as many frames as usual where noise alone is in the way."""
RISK = 2e-3
"""A correction is worth a measurement where the chance that the beam truly is out of spec exceeds
twice what it would be in the middle by more than this.

The guard band alone accepts a beam that lies outside in one case of twenty at the limit."""


def check_needs(
    strategy: Strategy, spec: Spec | None, layout: Layout | None, free: Sequence[Axis]
) -> Spec:
    """Return ``spec``; raise :class:`MissingNeedError` where the bench lacks what is needed."""
    lacks = []
    if spec is None:
        lacks.append("a spec (what the beam must meet)")
    if Need.LAYOUT in strategy.needs and layout is None:
        lacks.append("a layout (the nominal geometry of the bench)")
    if not free:
        lacks.append("an axis that may move (all of them are locked)")
    if spec is None or lacks:
        raise MissingNeedError(
            f"strategy {strategy.name} needs {' and '.join(lacks)}, which this bench does not "
            "have. Nothing was moved."
        )
    return spec


def strides(axis: Axis, start: float, target: float) -> int:
    """Return in how many equal strides ``axis`` may go from ``start`` to ``target``."""
    if axis.max_step is None:
        return 1
    return max(1, math.ceil(abs(target - start) / axis.max_step - 1e-9))


def compare(first: Measurement, last: Measurement) -> str:
    """Return in words how the last measurement compares with the first."""
    if not last.ok:
        return f"where the beam could not be judged ({last.failure})"
    if not first.ok:
        return f"merit {last.merit:.3g}; at the start it could not be judged"
    word = "better" if beyond_noise(first, last) else "worse"
    if word == "worse" and not beyond_noise(last, first):
        return f"merit {last.merit:.3g}, as at the start"
    return f"merit {last.merit:.3g}, {word} than {first.merit:.3g} at the start"


def beyond_noise(first: Measurement, best: Measurement) -> bool:
    """Return whether ``best`` is expected to be better than the start, by more than its own noise.

    Where it is not, the start is the place to be: the least of all noises is no improvement. A
    start that is itself known badly is no reason to go back to it.
    """
    if not (first.ok and best.ok):
        return best.ok
    return first.expected - best.expected > 2 * best.noise


def more_frames(seen: Measurement) -> int:
    """Return how many times as many frames may show that the beam is in spec; 0: none would.

    As many as bring the noise down to a seventh of the tolerances, where nothing but noise keeps
    the beam from being in spec.
    """
    if seen.verdict is None or seen.in_spec:
        return 0
    times = min(max(math.ceil((seen.noise / KNOWN) ** 2), FEWEST_MORE), MOST_MORE)
    left = seen.expected**2 - seen.merit**2 - (1 - 1 / times) * seen.noise**2
    open_terms = [t for t in seen.verdict.terms if not t.in_spec]
    near = all(abs(t.deviation) <= max(0.5, 3 * seen.noise) * t.tolerance for t in open_terms)
    return times if open_terms and near and left < UNKNOWN**2 else 0


def near_limit(verdict: Verdict) -> bool:
    """Return whether centring a beam that is in spec would make it much surer that it truly is."""
    risk, least = (
        1 - math.prod(_chance(t, share * t.deviation) for t in verdict.terms) for share in (1, 0)
    )
    return risk > 2 * least + RISK


def _chance(term: TermValue, deviation: float) -> float:
    """How likely ``deviation`` is within the tolerance, given the term's uncertainty."""
    spread = math.sqrt(2) * max(term.uncertainty, 1e-9 * term.tolerance)
    high, low = ((v - deviation) / spread for v in (term.tolerance, -term.tolerance))
    return (math.erf(high) - math.erf(low)) / 2
