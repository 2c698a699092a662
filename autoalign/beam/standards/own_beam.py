"""What ISO 11146 calls divergence and ellipticity, beside the spec's terms of similar names.

The spec judges what alignment changes: how the width grows from the near plane to the far one, and
how the far beam is stretched against the near one. The standard's divergence is the asymptotic
angle of the beam itself, and its ellipticity that of one plane.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass

from autoalign.beam.profile import BeamProfile, Use
from autoalign.beam.standards.caustic import caustics
from autoalign.core.errors import UsageError

__all__ = ["OWN_DIVERGENCE", "OWN_TITLE", "OwnFigure", "ellipticity_label", "own_beam"]

OWN_TITLE = "The beam itself (ISO 11146)"
OWN_DIVERGENCE = "divergence of the beam itself (ISO 11146)"

_PLANES = 4
"""Planes that a caustic needs at the least; the standard asks for ten."""


@dataclass(frozen=True, slots=True)
class OwnFigure:
    """One figure: ``value`` and standard ``uncertainty`` in ``unit`` (rad or 1), or ``why`` not."""

    name: str
    unit: str
    value: float | None = None
    uncertainty: float | None = None
    why: str = ""


def ellipticity_label(plane: str) -> str:
    """Return what the ellipticity of one plane is called."""
    return f"ellipticity at {plane}"


def own_beam(
    profiles: Mapping[str, BeamProfile],
    distances: Mapping[str, float],
    wavelength: float | None = None,
    by_design: float | None = None,
) -> tuple[OwnFigure, ...]:
    """Return the beam's own divergence and the ellipticity of each plane, measured.

    Parameters
    ----------
    profiles
        By plane.
    distances
        Of the planes along the beam, mm.
    wavelength
        mm; None where it is not known.
    by_design
        Full divergence that the source's size gives to the aligned beam, rad; None where there is
        no such source.
    """
    good = {p: v for p, v in profiles.items() if v.use is Use.ALL and v.has_widths}
    figures = [*_divergence(good, distances, wavelength)]
    if by_design:
        figures.append(OwnFigure("the same by design, from the source's size", "rad", by_design))
    figures += [
        OwnFigure(ellipticity_label(plane), "1", p.ellipticity, p.u_ellipticity)
        for plane, p in good.items()
    ]
    return tuple(figures)


def _divergence(
    good: Mapping[str, BeamProfile], distances: Mapping[str, float], wavelength: float | None
) -> tuple[OwnFigure, ...]:
    planes = [p for p in good if p in distances]
    if len(planes) < _PLANES or wavelength is None:
        count = f"{len(planes)} usable plane{'' if len(planes) == 1 else 's'}"
        why = f"not known: {count}, at least {_PLANES} are needed"
        if len(planes) >= _PLANES:
            why = "not known: no wavelength is given"
        return (OwnFigure(OWN_DIVERGENCE, "rad", why=why),)
    turned = [good[p].in_plane_axes() for p in planes]
    try:
        first, second, _ = caustics(turned, [distances[p] for p in planes], wavelength)
    except UsageError as error:
        return (OwnFigure(OWN_DIVERGENCE, "rad", why=f"not known: {error}"),)
    return tuple(
        OwnFigure(f"{OWN_DIVERGENCE}, {way}", "rad", c["divergence"], c.u("divergence"))
        for way, c in (("sideways (x)", first), ("up/down (y)", second))
        if math.isfinite(c["divergence"])
    )
