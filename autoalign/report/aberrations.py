"""What a misaligned axis does to the wavefront, under the names that an optician gives it."""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from autoalign.core.units import number
from autoalign.optics.layout import Layout, Source
from autoalign.optics.pose import place
from autoalign.optics.sources import cone
from autoalign.optics.trace import trace_to_planes
from autoalign.optics.wavefront import Wavefront

__all__ = ["aberration_words", "aberrations"]

_FAINTEST = 0.005
"""Waves rms below which nothing is said."""

_SHARE = 0.05
"""Part of the largest one below which another is not worth a word."""

_TERMS = 8
"""Noll's polynomials up to coma."""


def aberrations(layout: Layout, positions: Mapping[str, float]) -> dict[str, float]:
    """Return defocus, astigmatism 0° and 45° and coma of a collimated beam, waves rms.

    Weighted with the light on the first mirror, of the central point of the source, at the first
    plane, with the axes at ``positions`` (mm or rad, others at 0). Signs as of Noll's polynomials;
    a longer path is positive, so that positive defocus diverges. Empty if the bench does not
    collimate a source, or if no light arrives.
    """
    if layout.kind != "collimator" or not isinstance(layout.light, Source):
        return {}
    poses = place(layout, positions)
    seen, out = trace_to_planes(layout, poses, cone(layout.light))
    x, y, path = (np.asarray(v, dtype=np.float64) for v in seen[layout.planes[0].name])
    power = np.nan_to_num(np.asarray(out.power, dtype=np.float64))
    lit = power > 0
    if lit.sum() < _TERMS:
        return {}
    weight = power[lit]
    x, y = (v[lit] - np.average(v[lit], weights=weight) for v in (x, y))
    found = Wavefront(x, y, path[lit] - path[lit].mean(), weight).analyse(_TERMS)
    waves = 1 / layout.light.wavelength
    return {
        "defocus": waves * found[4],
        "astigmatism 0°": waves * found[6],
        "astigmatism 45°": waves * found[5],
        "coma": waves * math.hypot(found[7], found[8]),
    }


def aberration_words(layout: Layout, axis: str, amount: float) -> str:
    """Return the aberrations of ``axis`` misaligned by ``amount`` (mm or rad), largest first.

    For instance "defocus 0.83, astigmatism 0° 0.12 waves rms"; empty where there are none.
    """
    found = aberrations(layout, {axis: amount})
    sizes = sorted(((abs(v), name) for name, v in found.items()), reverse=True)
    least = max(_FAINTEST, _SHARE * sizes[0][0]) if sizes else _FAINTEST
    told = [f"{name} {number(size, 2)}" for size, name in sizes if size >= least]
    return f"{', '.join(told)} waves rms" if told else ""
