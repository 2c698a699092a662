"""Planes about a focus: where the beam is narrowest in each direction, and how lopsided it is.

Along a beam d² is a parabola in z, for every kind of beam (ISO 11146-1, from memory); three planes
give it, more by least squares. Defocus is where it is narrowest, astigmatism how far apart the two
directions are narrowest, coma a skew of the spot.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.core.errors import AlignError
from autoalign.core.findings import Finding, Severity
from autoalign.core.units import number, rounded, signed
from autoalign.optics.layout import Layout

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from autoalign.diagnosis.estimator import Knowledge

__all__ = ["focus_words", "through_focus"]

# What speaks against a measurement that meets the spec: a focus between the planes.
#
# Widths at two planes are the same for a collimated beam and for one that goes through a focus
# halfway between them. How wide the beam is at the first plane, and what the axes did before, tell
# the two apart; the model puts both together.


def through_focus(
    know: Knowledge, layout: Layout, positions: npt.NDArray[np.float64]
) -> Finding | None:
    """Return the veto of a beam that is not what the spec means, though it meets it; else None.

    ``know`` has learnt what was measured at ``positions`` (axes,), mm or rad.
    """
    if len(layout.planes) < 2:
        return None
    try:
        if not know.turned(positions):
            return None
    except AlignError:  # nothing is known of such a bench
        return None
    order = sorted(layout.planes, key=lambda p: p.distance)
    names = f"{order[0].name}, {order[-1].name}"
    return Finding("through-focus", names, severity=Severity.VETO)


Floats = npt.NDArray[np.float64]

SKEWED = 0.1
"""Skewness of a spot from which it is called coma."""


def focus_words(parameters: BeamParameters) -> tuple[str, ...]:
    """Say where the focus lies, how astigmatic it is and whether it is comatic; ± is 95 %.

    Nothing is said with fewer than three planes good for widths, or where the beam has no waist.
    """
    planes = [p for p in parameters.distances if f"{p}.xx" in parameters]
    if len(planes) < 3:
        return ()
    planes.sort(key=lambda p: parameters.distances[p])
    names = [f"{p}.{k}" for p in planes for k in ("xx", "yy", "xy")]
    values, covariance = parameters.pick(names)
    z = np.array([parameters.distances[p] for p in planes])
    middle = planes[len(planes) // 2]
    places = _propagated(lambda v: _waists(z, v), values, covariance)
    if places is None:
        return ()
    (x, y), spread = places[0] - parameters.distances[middle], places[1]
    ux, uy = np.sqrt(np.diag(spread))
    apart, u_apart = x - y, math.sqrt(max(spread[0, 0] + spread[1, 1] - 2 * spread[0, 1], 0.0))
    out = [
        f"The beam is narrowest {_beside(x, ux, middle)} sideways and {_beside(y, uy, middle)} "
        "up/down."
    ]
    if abs(apart) > 2 * u_apart:
        out.append(f"It is astigmatic: the two foci are {_within(abs(apart), u_apart)} mm apart.")
    return (*out, *_coma(parameters, middle))


def _beside(value: float, u: float, plane: str) -> str:
    if abs(value) < 2 * u:
        return f"at {plane} (within {2 * u:.2g} mm)"
    return f"{_within(abs(value), u)} mm {'beyond' if value > 0 else 'before'} {plane}"


def _within(value: float, u: float) -> str:
    """Return a value with its 95 % interval, both to the place of that interval's second digit."""
    places = max(1 - math.floor(math.log10(2 * u)), 0) if u > 0 else 3
    return f"{rounded(value, places)} ± {rounded(2 * u, places)}"


def _coma(parameters: BeamParameters, plane: str) -> Iterator[str]:
    for axis, name in (("skew_x", "sideways"), ("skew_y", "up/down")):
        value, u = parameters[f"{plane}.{axis}"], parameters.u(f"{plane}.{axis}")
        if abs(value) > max(SKEWED, 3 * u):
            yield (
                f"The spot at {plane} is lopsided {name} (skewness {signed(value, 2)} ± "
                f"{number(2 * u, 1)}): "
                "coma, or something that cuts the beam."
            )


def _waists(z: Floats, tensors: Floats) -> Floats:
    """Where the beam is narrowest along x and y (2,), mm; NaN where it has no waist.

    ``tensors`` (3 planes,) are the width tensor's xx, yy, xy plane by plane.
    """
    xx, yy, xy = tensors.reshape(-1, 3).T
    centre = z.mean()
    out = np.full(2, np.nan)
    for k, square in enumerate((xx**2 + xy**2, yy**2 + xy**2)):
        a, b, _ = np.polyfit(z - centre, square, 2)
        if a > 0:
            out[k] = centre - b / (2 * a)
    return out


def _propagated(
    function: Callable[[Floats], Floats], values: Floats, covariance: Floats
) -> tuple[Floats, Floats] | None:
    """Value and covariance of a function, by differences of a tenth of each uncertainty."""
    value = function(values)
    u = np.sqrt(np.maximum(np.diag(covariance), 1e-18))
    slopes = np.array([(function(values + d) - function(values - d)) for d in np.diag(u / 10)]).T
    slopes = slopes / (u / 5)
    spread = slopes @ covariance @ slopes.T
    if not (np.all(np.isfinite(value)) and np.all(np.isfinite(spread))):
        return None
    return value, spread
