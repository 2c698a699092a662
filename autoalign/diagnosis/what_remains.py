"""What can be said of a collimator where not all frames are good: direction, or a side."""

from __future__ import annotations

import math
from collections.abc import Iterator

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.core.digits import rounded

__all__ = ["remaining"]

_SIDES = (("to the left (−x)", "to the right (+x)"), ("down (−y)", "up (+y)"))


def remaining(parameters: BeamParameters, reflected_focal_length: float) -> tuple[str, ...]:
    """Return what is still known, in sentences with 95 % intervals where there are two centres.

    A source moved by t turns the beam by −t/ρ, a mirror turned by w by 2w; which of them it was,
    only widths tell.
    """
    out = list(_pointing(parameters, reflected_focal_length))
    if not out:
        out = list(_one_plane(parameters))
    return (*out, *_sides(parameters))


def _pointing(parameters: BeamParameters, rho: float) -> Iterator[str]:
    cut = {_cut_along(p) for p in parameters.profiles.values()}
    for k, (axis, name) in enumerate((("x", "in plane"), ("y", "out of plane"))):
        if f"pointing_{axis}" not in parameters:
            return
        value, u = parameters[f"pointing_{axis}"], parameters.u(f"pointing_{axis}")
        if abs(value) < 2 * u:
            yield f"The beam points straight {name}, within ±{2e3 * u:.2g} mrad (95 %)."
            continue
        side = _SIDES[k][int(value > 0)]
        amount = f"{abs(value) * 1e3:.3g}"
        amount = f"at least {amount}" if k in cut else f"{amount} ± {2e3 * u:.2g}"
        yield (
            f"The beam points {amount} mrad {side}: either "
            f"the source is misaligned {name} by {abs(value) * rho:.3g} mm, or the mirror "
            "is turned by "
            f"{abs(value) * 500:.3g} mrad, or both in part."
        )


def _one_plane(parameters: BeamParameters) -> Iterator[str]:
    for plane, profile in parameters.profiles.items():
        if profile.use in (Use.NOTHING, Use.DIRECTION):
            continue
        (x, y), (ux, uy) = _centre(parameters, plane)
        yield (
            f"Only {plane} is left: the beam is at ({_within(x, 2 * ux)}, {_within(y, 2 * uy)}) mm "
            f"from the fiducial. One plane does not show where it points."
        )


def _within(value: float, reach: float) -> str:
    places = max(1 - math.floor(math.log10(reach)), 0) if reach > 0 else 3
    return f"{rounded(value, places)} ± {rounded(reach, places)}"


def _centre(
    parameters: BeamParameters, plane: str
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the centre (x, y) at ``plane``, mm, and its standard uncertainties."""
    names = (f"{plane}.x", f"{plane}.y")
    return (
        (parameters[names[0]], parameters[names[1]]),
        (parameters.u(names[0]), parameters.u(names[1])),
    )


def _cut_along(profile: BeamProfile) -> int | None:
    """Along which axis (0 for x, 1 for y) part of the beam lies outside the frame; or None."""
    cut = FlagKind.CLIPPED_BY_SENSOR in profile.flags and profile.use is not Use.ALL
    if not (cut or profile.use is Use.DIRECTION):
        return None
    x, y = profile.in_plane_axes().centroid
    return int(abs(y) > abs(x))


def _sides(parameters: BeamParameters) -> Iterator[str]:
    for plane, profile in parameters.profiles.items():
        k = _cut_along(profile)
        if k is not None:
            side = _SIDES[k][int(profile.in_plane_axes().centroid[k] > 0)]
            yield (
                f"At {plane} the beam is too far {side}: steer it back so that the camera sees all "
                "of it."
            )
