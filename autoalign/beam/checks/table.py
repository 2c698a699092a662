"""What may be wrong with a frame: the table of checks, each with what a finding costs."""

from __future__ import annotations

from autoalign.beam.checks.clipping import clipped_by_sensor
from autoalign.beam.checks.context import Context, Evidence, FrameCheck, always, outline
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
from autoalign.beam.checks.thresholds import Thresholds
from autoalign.beam.profile import Flag, FlagKind, Use

__all__ = ["CHECKS", "find_flags"]


def _hot(context: Context) -> Evidence | None:
    hot = context.ready.hot
    if not len(hot):
        return None
    places = ", ".join(f"({c}, {r})" for r, c in zip(hot.rows[:3], hot.columns[:3], strict=True))
    more = "" if len(hot) <= 3 else f" and {len(hot) - 3} more"
    words = f"{len(hot)} pixels replaced by their neighbours, (column, row): {places}{more}"
    return Evidence(words, len(hot))


def _by_saturated_part(part: float, limits: Thresholds) -> Use:
    return Use.POSITION if part < limits.saturated_half else Use.DIRECTION


def _by_light_at_edge(light: float, limits: Thresholds) -> Use:
    if light < limits.edge_slight:
        return Use.ALL
    return Use.POSITION if light < limits.edge_strong else Use.DIRECTION


def _by_unsteadiness(unsteady: float, limits: Thresholds) -> Use:
    return Use.ALL if unsteady < limits.unsteady else Use.POSITION


def _by_depth(depth: float, limits: Thresholds) -> Use:
    return Use.ALL if depth < limits.nick_deep else Use.POSITION


def _by_height(height: float, limits: Thresholds) -> Use:
    return Use.POSITION if height < limits.spot_strong else Use.DIRECTION


CHECKS = (
    FrameCheck(FlagKind.SATURATED, saturated, _by_saturated_part),
    FrameCheck(FlagKind.CLIPPED_BY_SENSOR, clipped_by_sensor, _by_light_at_edge),
    FrameCheck(FlagKind.HOT_PIXELS, _hot, always(Use.ALL)),
    FrameCheck(FlagKind.NOT_CONVERGED, outgrown, always(Use.POSITION)),
    FrameCheck(FlagKind.NOT_CONVERGED, unsettled, always(Use.POSITION)),
    FrameCheck(FlagKind.NOT_CONVERGED, too_noisy, _by_unsteadiness),
    FrameCheck(FlagKind.RING, ring, always(Use.ALL), (outline,)),
    FrameCheck(FlagKind.CLIPPED_BY_APERTURE, hard_edge, always(Use.ALL), (outline,)),
    FrameCheck(FlagKind.NICKED, nick, _by_depth, (outline,)),
    FrameCheck(FlagKind.TWO_SPOTS, spot_inside, _by_height, (outline, ring, spots_around)),
    FrameCheck(FlagKind.TWO_SPOTS, spot_outside, always(Use.ALL), (spots_around,)),
    # The tail of a beam far from aligned must not keep a search from using it.
    FrameCheck(FlagKind.TWO_SPOTS, shelf, always(Use.ALL), (outline,)),
    FrameCheck(FlagKind.TORN, torn, always(Use.DIRECTION)),
    FrameCheck(FlagKind.AMBIENT, ambient, always(Use.ALL)),
    FrameCheck(FlagKind.STALE, stale, always(Use.NOTHING)),
    FrameCheck(FlagKind.FROZEN, frozen, always(Use.NOTHING), (stale,)),
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
