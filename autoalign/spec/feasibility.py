"""What can never be judged: a spec that asks for what no detector of the bench gives."""

from __future__ import annotations

import difflib
from collections.abc import Collection, Mapping, Sequence

from autoalign.core.frames import Frame
from autoalign.core.interfaces import Exposure, Reading
from autoalign.spec.terms import WAVEFRONT, Spec

__all__ = ["never_given", "never_seen"]

OF_A_PLANE = ("x", "y", "xx", "yy", "xy", "skew_x", "skew_y", "power")
OF_TWO_PLANES = (
    "pointing_x", "pointing_y", "divergence_xx", "divergence_yy", "divergence_xy", "astigmatism_0",
    "astigmatism_45",
)  # fmt: skip
"""What :func:`autoalign.beam.combine` gives, see :mod:`autoalign.beam.parameters`."""


def never_given(spec: Spec, detectors: Mapping[str, str], planes: Collection[str]) -> str:
    """Return in words what no detector can give of what ``spec`` needs; "" where all may be given.

    ``detectors`` are planes by detector, ``planes`` those of the layout, none without one. What a
    meter's numbers are called is not known beforehand, see :func:`never_seen`.
    """
    places = {plane or name for name, plane in detectors.items()}
    for quantity in spec.quantities:
        if quantity in WAVEFRONT:
            if planes:
                continue
            return (
                "the spec limits the wavefront, which follows from the layout; the bench has none"
            )
        why = _why_not(quantity, detectors, places, planes)
        if why:
            astray = [
                f"detector {name} is at plane {plane!r}, which the layout does not have "
                "(its planes: "
                f"{', '.join(planes)})"
                for name, plane in detectors.items()
                if planes and plane and plane not in planes
            ]
            return "; ".join([f"the spec needs {quantity}, but {why}", *astray])
    return ""


def never_seen(
    spec: Spec,
    exposures: Mapping[str, Sequence[Exposure]],
    seen: Sequence[str],
    planes: Collection[str],
) -> str:
    """Return in words what one measurement showed to be impossible; "" where nothing was.

    That is a picture of a place that is none of ``planes`` (where these are known), and a name in
    ``spec`` that a detector does not use. ``exposures`` are those of the measurement, by detector,
    and ``seen`` the quantities that it gave. A detector without an exposure, or with a reading
    without numbers, says nothing.
    """
    for detector, taken in exposures.items():
        for place in (e.plane or detector for e in taken if isinstance(e, Frame)):
            if planes and place not in planes:
                return (
                    f"detector {detector} gives frames of plane {place!r}, which the layout does "
                    f"not have; its planes: {', '.join(planes)}{_hint(place, planes)}"
                )
    for quantity in spec.missing(seen):
        for detector, taken in exposures.items():
            own = _names(detector, taken)
            if quantity.startswith(f"{detector}.") and own and quantity not in own:
                return (
                    f"the spec needs {quantity}, which detector {detector} does not give; "
                    f"it gave: {', '.join(dict.fromkeys([*seen, *own]))}{_hint(quantity, own)}"
                )
    return ""


def _why_not(
    quantity: str, detectors: Mapping[str, str], places: set[str], planes: Collection[str]
) -> str:
    if quantity in OF_TWO_PLANES:
        known = sorted(p for p in places if not planes or p in planes)
        if len(known) > 1:
            return ""
        return f"that needs detectors at two planes; there are some at {', '.join(known) or 'none'}"
    if any(quantity.startswith(f"{name}.") for name in detectors):
        return ""
    place, _, part = quantity.rpartition(".")
    if place in places:
        given = ", ".join(f"{place}.{p}" for p in OF_A_PLANE)
        return "" if part in OF_A_PLANE else f"a plane gives only {given}"
    if place:
        return (
            f"no detector is at {place} or has that name; there are: {_listed(detectors)}"
            f"{_hint(place, [*places, *detectors])}"
        )
    return (
        "nothing has that name; the readings of a meter are called <detector>.<name>, "
        "and there are: "
        f"{_listed(detectors)}{_hint(quantity, OF_TWO_PLANES)}"
    )


def _names(detector: str, taken: Sequence[Exposure]) -> list[str]:
    readings = [name for e in taken if isinstance(e, Reading) for name in e.named(detector)]
    frames = [e.plane or detector for e in taken if isinstance(e, Frame)]
    return [*dict.fromkeys(readings), *(f"{p}.{part}" for p in frames[:1] for part in OF_A_PLANE)]


def _listed(detectors: Mapping[str, str]) -> str:
    given = [f"{n} (at {p})" if p and p != n else n for n, p in detectors.items()]
    return f"detectors {', '.join(given)}" if given else "no detectors"


def _hint(name: str, known: Collection[str]) -> str:
    near = difflib.get_close_matches(name, list(known), 1)
    return f". Did you mean {near[0]!r}?" if near else ""
