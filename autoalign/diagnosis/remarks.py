"""What is wrong with a frame, in a sentence each, with what it means and what to do."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.units import percent

__all__ = ["Remark", "fill_words", "remarks"]

# How far the beam fills its aperture, judged by every plane that shows a whole beam.

UNDER = 0.85
"""Width d_σ over aperture below which it is underfilled: an even disk has 1, and one that falls to
5 % at its rim has 0.83 (from its second moment, 4 times its standard deviation)."""
OVER = 1.05
"""Width over aperture from which the beam was not cut by it."""


def fill_words(
    profiles: Mapping[str, BeamProfile],
    distances: Mapping[str, float],
    clear_aperture: float | None,
) -> str:
    """Return in a sentence whether the aperture is over- or underfilled, or why that is not known.

    Parameters
    ----------
    distances
        Of the planes after the aperture, mm.
    clear_aperture
        mm; None where it is not known.
    """
    order = sorted((p for p in profiles if p in distances), key=lambda p: distances[p])
    whole = [p for p in order if profiles[p].use is Use.ALL]
    hard = [p for p in order if FlagKind.CLIPPED_BY_APERTURE in profiles[p].flags]
    if not whole:
        return "Filling of the mirror: not known, no frame shows the whole beam."
    first = profiles[whole[0]]
    width = (first.width_major + first.width_minor) / 2
    across = (
        "" if clear_aperture is None else f", {percent(width / clear_aperture)} of its aperture"
    )
    beam = f"d_σ {width:.3g} mm at {whole[0]}{across}"
    if hard and hard[0] == whole[0]:
        where = "every plane" if hard == order else ", ".join(hard)
        return f"The mirror is overfilled: the beam has a hard edge at {where} ({beam})."
    if hard:
        return (
            f"The beam has no hard edge at {whole[0]} but one at {', '.join(hard)}: it is clipped "
            "after the mirror, not by it."
        )
    if clear_aperture is None:
        return f"Filling of the mirror: not known without its clear aperture ({beam})."
    if width > OVER * clear_aperture:
        return (
            f"The beam is wider than the aperture of the mirror and has no hard edge ({beam}): it "
            "diverges, or the pixel size or the aperture in the bench file is wrong."
        )
    kind = "underfilled" if width < UNDER * clear_aperture else "just filled"
    return f"The mirror is {kind}: no hard edge at {', '.join(whole)} ({beam})."


_DO = {
    FlagKind.SATURATED: "Shorten the exposure or dim the light",
    FlagKind.DARK: (
        "Check that the light is on, that nothing blocks the beam and that the exposure is long "
        "enough; otherwise the beam misses this camera"
    ),
    FlagKind.CLIPPED_BY_SENSOR: (
        "Move the beam or the camera back; the true centre is farther out than the measured one"
    ),
    FlagKind.CLIPPED_BY_APERTURE: (
        "If this is not the rim of the mirror, check for an obstruction, with the beam blocked or "
        "at alignment power"
    ),
    FlagKind.NICKED: (
        "With the beam blocked or at alignment power, check that side for a clamp, a cable or a "
        "chipped rim"
    ),
    FlagKind.TWO_SPOTS: (
        "Check for a ghost from a window or from the back of a mirror, or for another beam, and "
        "block it"
    ),
    FlagKind.FROZEN: "Restart the camera or its software",
    FlagKind.STALE: "Check why the camera delivers old frames",
    FlagKind.TORN: "The beam or the camera's transfer changed during the frame; take another one",
    FlagKind.AMBIENT: "Shade the camera, or take a dark frame in the same light",
    FlagKind.RING: (
        "Typical of a fibre coupled off its axis, of defocus, or of a mirror with a hole; the "
        "widths are valid"
    ),
    FlagKind.SPECKLE: (
        "Make the light less coherent, move the screen or the fibre during the exposure, or "
        "average more frames"
    ),
    FlagKind.NOT_CONVERGED: (
        "Increase the light or the exposure, or shade the camera from ambient light"
    ),
}
"""What to do about each kind; hot pixels need nothing."""

_LEFT = {
    Use.ALL: "",
    Use.POSITION: " The centre is usable, the widths are not.",
    Use.DIRECTION: " Only the direction of the beam is usable.",
    Use.NOTHING: " The frame is not usable.",
}


@dataclass(frozen=True, slots=True)
class Remark:
    """One kind of flag on ``planes``: ``sentence`` says what, how much, what is left and to do."""

    planes: tuple[str, ...]
    kind: FlagKind
    use: Use
    sentence: str


def remarks(profiles: Mapping[str, BeamProfile]) -> tuple[Remark, ...]:
    """Return what is to be said of the planes' frames, the worst first; planes alike in one."""
    found: dict[tuple[FlagKind, Use], dict[str, Flag]] = {}
    for plane, profile in profiles.items():
        for flag in profile.flags.values():
            found.setdefault((flag.kind, flag.use), {})[plane] = flag
    told = [Remark(tuple(by), kind, use, _sentence(by)) for (kind, use), by in found.items()]
    order = list(Use)
    return tuple(sorted(told, key=lambda remark: -order.index(remark.use)))


def _sentence(by_plane: Mapping[str, Flag]) -> str:
    flags = list(by_plane.values())
    same = len({flag.evidence for flag in flags}) == 1
    evidence = (
        flags[0].evidence
        if same
        else "; ".join(f"at {plane}, {flag.evidence}" for plane, flag in by_plane.items())
    )
    said = f"{', '.join(by_plane)}: {flags[0].kind}: {evidence}.{_LEFT[flags[0].use]}"
    do = _DO.get(flags[0].kind)
    return f"{said} {do}." if do else said
