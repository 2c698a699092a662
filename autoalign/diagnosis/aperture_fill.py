"""How far the beam fills its aperture, judged by every plane that shows a whole beam."""

from __future__ import annotations

from collections.abc import Mapping

from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.core.digits import percent

__all__ = ["fill_words"]

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
