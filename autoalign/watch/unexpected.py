"""What is not as expected: darkness, axes that moved by themselves, a changed source, knocks."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np

from autoalign.beam.profile import BeamProfile, FlagKind
from autoalign.core.axes import Axis
from autoalign.watch.policy import Policy, WatchMeasurement

__all__ = ["unexpected"]

_BEYOND_NOISE = 8.0
"""Standard uncertainties of the worst term by which two measurements do not differ by chance: 5.7
of their difference."""


def unexpected(
    policy: Policy,
    axes: Mapping[str, Axis],
    before: WatchMeasurement | None,
    now: WatchMeasurement,
    first: WatchMeasurement | None = None,
) -> str:
    """Return in words what is not as expected since ``before``; "" where nothing is.

    Axes and light are also compared with ``first``, so that small changes do not add up unseen.
    """
    seen = now.measurement
    if seen.profiles and all(_dark(p) for p in seen.profiles.values()):
        return "no light at any plane: the source is off, blocked or interlocked"
    if not seen.profiles and not seen.ok:
        return f"nothing could be seen ({seen.failure})"
    changed = ""
    for then in (before, first):
        if then is not None and not changed:
            changed = _walked(axes, then, now) or _power(policy, then, now)
    if not changed and not seen.ok:
        return f"the beam could not be judged ({seen.failure})"
    return changed or (_jumped(policy, before, now) if before is not None else "")


def _dark(profile: BeamProfile) -> bool:
    return FlagKind.DARK in profile.flags or profile.power <= 5 * profile.power_uncertainty


def _jumped(policy: Policy, before: WatchMeasurement, now: WatchMeasurement) -> str:
    then, seen = before.measurement.verdict, now.measurement.verdict
    if then is None or seen is None:
        return ""
    change = float(np.max(np.abs(seen.residuals - then.residuals)))
    noise = max(t.uncertainty / t.tolerance for v in (then, seen) for t in v.terms)
    if change <= max(policy.jump, _BEYOND_NOISE * noise):
        return ""
    return f"the beam jumped by {change:.1f} tolerances without a move"


def _walked(axes: Mapping[str, Axis], before: WatchMeasurement, now: WatchMeasurement) -> str:
    for name, axis in axes.items():
        change = now.positions[name] - before.positions.get(name, now.positions[name])
        if abs(change) > 3 * axis.arrival_tolerance + axis.resolution:
            return (
                f"axis {name} is {axis.said(change)} from where it was left, without a "
                "command: moved by hand, from a panel, by another program, or slipped"
            )
    return ""


def _power(policy: Policy, before: WatchMeasurement, now: WatchMeasurement) -> str:
    now_lit = now.powers
    for plane, power in before.powers.items():
        if plane in now_lit and power > 0:
            factor = max(now_lit[plane], 1e-300) / power
            if not 1 / policy.power_step <= factor <= policy.power_step:
                return (
                    f"light at the {plane} plane changed to {100 * factor:.0f} % without a move: "
                    "check the source before the mirrors, with the beam blocked or at alignment "
                    "power"
                )
    return ""
