"""What may be wrong with a frame: the table of checks, each with what a finding costs."""

from __future__ import annotations

from autoalign.beam.checks.clipping import clipped_by_sensor
from autoalign.beam.checks.context import Context, Evidence, FrameCheck, outline
from autoalign.beam.checks.outline import (
    hard_edge,
    nick,
    ring,
    shelf,
    spot_inside,
    spot_outside,
    spots_around,
)
from autoalign.beam.checks.saturation import (
    ambient,
    frozen,
    outgrown,
    saturated,
    stale,
    too_noisy,
    torn,
    unsettled,
)
from autoalign.beam.checks.speckle import grain, speckle
from autoalign.beam.profile import Flag, FlagKind, Use

__all__ = ["CHECKS", "find_flags"]


def _hot(context: Context) -> Evidence | None:
    hot = context.ready.hot
    if not len(hot):
        return None
    places = ", ".join(f"({c}, {r})" for r, c in zip(hot.rows[:3], hot.columns[:3], strict=True))
    more = "" if len(hot) <= 3 else f" and {len(hot) - 3} more"
    words = f"{len(hot)} pixels replaced by their neighbours, (column, row): {places}{more}"
    return Evidence(words)


CHECKS = (
    FrameCheck(FlagKind.SATURATED, saturated),
    FrameCheck(FlagKind.CLIPPED_BY_SENSOR, clipped_by_sensor),
    FrameCheck(FlagKind.HOT_PIXELS, _hot),
    FrameCheck(FlagKind.NOT_CONVERGED, outgrown),
    FrameCheck(FlagKind.NOT_CONVERGED, unsettled),
    FrameCheck(FlagKind.NOT_CONVERGED, too_noisy),
    FrameCheck(FlagKind.RING, ring, (outline,)),
    FrameCheck(FlagKind.SPECKLE, speckle, (grain,)),
    FrameCheck(FlagKind.CLIPPED_BY_APERTURE, hard_edge, (outline,)),
    FrameCheck(FlagKind.NICKED, nick, (outline,)),
    FrameCheck(FlagKind.TWO_SPOTS, spot_inside, (outline, ring, grain, spots_around)),
    FrameCheck(FlagKind.TWO_SPOTS, spot_outside, (grain, spots_around)),
    FrameCheck(FlagKind.TWO_SPOTS, shelf, (outline,)),
    FrameCheck(FlagKind.TORN, torn),
    FrameCheck(FlagKind.AMBIENT, ambient),
    FrameCheck(FlagKind.STALE, stale),
    FrameCheck(FlagKind.FROZEN, frozen, (stale,)),
)
"""Every check of a frame that shows a beam. Of several of one kind the first finding counts."""


def find_flags(context: Context) -> dict[str, Flag]:
    """Return every finding by kind, the gravest first."""
    found: dict[FlagKind, Flag] = {}
    for check in CHECKS:
        if check.kind in found:
            continue
        flag = check(context)
        if flag is not None:
            found[check.kind] = flag
    order = list(Use)
    flags = sorted(found.values(), key=lambda flag: order.index(flag.use), reverse=True)
    return {flag.kind.value: flag for flag in flags}
