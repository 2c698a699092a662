"""What is wrong with a frame, in a sentence each, with what it means and what to do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use

__all__ = ["Remark", "remarks"]

_DO = {
    FlagKind.SATURATED: "Shorten the exposure or dim the light",
    FlagKind.DARK: (
        "Look whether the light is on, the way is free and the exposure long enough; otherwise the "
        "beam misses this camera"
    ),
    FlagKind.CLIPPED_BY_SENSOR: (
        "Bring the beam or the camera back; the true centre lies farther out than the one measured"
    ),
    FlagKind.CLIPPED_BY_APERTURE: (
        "Where that is not the mirror's own rim, look for what stands in the beam"
    ),
    FlagKind.NICKED: "Look on that side for a clamp, a cable or a chipped rim",
    FlagKind.TWO_SPOTS: (
        "Look for a ghost of a window or of a mirror's back, or for another beam, and block it"
    ),
    FlagKind.FROZEN: "Restart the camera or its program",
    FlagKind.STALE: "Look why the camera delivers old frames",
    FlagKind.TORN: "The beam or the camera's transfer changed during the frame; take another one",
    FlagKind.AMBIENT: "Shade the camera, or take a dark frame in the same light",
    FlagKind.RING: (
        "A fibre that is fed off its axis, defocus, or a mirror with a hole looks like this; "
        "widths hold"
    ),
    FlagKind.NOT_CONVERGED: "Average more frames, expose longer, or shade the camera",
}
"""What to do about each kind; hot pixels need nothing."""

_LEFT = {
    Use.ALL: "",
    Use.POSITION: " Its centre can be used, its widths cannot.",
    Use.DIRECTION: " Only the side on which the beam lies can be used.",
    Use.NOTHING: " Nothing in it can be used.",
}


@dataclass(frozen=True, slots=True)
class Remark:
    """One flag of one plane: ``sentence`` says what, how much, what is left and what to do."""

    plane: str
    kind: FlagKind
    sentence: str


def remarks(profiles: Mapping[str, BeamProfile]) -> tuple[Remark, ...]:
    """Return what is to be said of each plane's frame, the worst first."""
    order = list(Use)
    found = [
        (order.index(flag.use), Remark(plane, flag.kind, _sentence(plane, flag)))
        for plane, profile in profiles.items()
        for flag in profile.flags.values()
    ]
    return tuple(remark for _, remark in sorted(found, key=lambda item: -item[0]))


def _sentence(plane: str, flag: Flag) -> str:
    said = f"{plane}: {flag.kind}: {flag.evidence}.{_LEFT[flag.use]}"
    do = _DO.get(flag.kind)
    return f"{said} {do}." if do else said
