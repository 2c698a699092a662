"""The bench that pictures without a bench file are explained by: a collimator, nothing locked.

From here on pictures and benches are explained alike: by :func:`.read_profiles`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass
from functools import cached_property
from typing import Literal

from autoalign.beam.profile import BeamProfile, Use
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.spec.terms import Spec

__all__ = ["PictureBench"]

Emission = Literal["multimode", "gaussian", "uniform"]

_REACH = {"shift": ("mm", 10.0), "turn": ("rad", 0.04)}
"""How far, to either side, a part may be off that was put in its place by hand."""

_WIDTH = {"multimode": math.sqrt(2 / math.log(20)), "gaussian": 1.0, "uniform": 1.0}
"""d_σ of a collimated cone over 2ρ NA: of a Gaussian its 1/e² diameter, of an even disk its own
(ISO 11146-1); a multimode far field has its NA at 5 % of the centre."""

_EDGE = 2.2
"""Clear aperture, in 2ρ NA, of a mirror that is taken to cut nothing."""

_WIDEST = 0.9
"""The largest NA that widths are taken to say."""


@dataclass(frozen=True)
class PictureBench:
    """What is known of the bench on which pictures were taken; mm, rad and plain numbers.

    Parameters
    ----------
    reflected_focal_length, off_axis_angle
        Of the mirror.
    distances
        Of the pictures' planes after the mirror, by name.
    profiles
        By plane.
    clear_aperture
        None where it is not known: the mirror is then taken to cut nothing.
    core, na, emission, wavelength
        Of the source. Without an NA the width at the nearest plane gives it.

    Raises
    ------
    UsageError
        For numbers that no bench has, and with neither an NA nor a width.
    """

    reflected_focal_length: float
    off_axis_angle: float
    distances: Mapping[str, float]
    profiles: Mapping[str, BeamProfile]
    clear_aperture: float | None = None
    core: float = 0.0
    na: float | None = None
    emission: Emission = "multimode"
    wavelength: float = 633e-6

    @cached_property
    def layout(self) -> Layout:
        """The bench on paper."""
        rho, na = self.reflected_focal_length, self.na or self._seen_na()
        angle = math.degrees(self.off_axis_angle)
        aperture = self.clear_aperture or min(_EDGE * rho * na * 2, rho / 2)
        return collimator_layout(
            OffAxisParaboloid(rho, angle, aperture),
            self.core,
            na,
            self.wavelength,
            planes=tuple(sorted(self.distances.items(), key=lambda item: item[1])),
            emission=self.emission,
        )

    @cached_property
    def axes(self) -> dict[str, Axis]:
        """The six axes of the source and the mirror, as if there were motors."""
        reach = {m.axis: _REACH[m.kind] for m in self.layout.motions}
        return {
            name: Axis(name, "mm" if unit == "mm" else "rad", -size, size)
            for name, (unit, size) in reach.items()
        }

    @cached_property
    def spec(self) -> Spec:
        """The usual spec of a collimated beam, for the source's own divergence."""
        planes, rho = self.layout.planes, self.reflected_focal_length
        return Spec.collimation(
            source_divergence=self.core / rho,
            planes=(planes[0].name, planes[-1].name),
            waist=rho,
        )

    def _seen_na(self) -> float:
        order = sorted(self.distances, key=lambda name: self.distances[name])
        whole = [n for n in order if n in self.profiles and self.profiles[n].use is Use.ALL]
        if not whole:
            raise UsageError("no frame shows how wide the beam is; give the source's --na.")
        first = self.profiles[whole[0]]
        width = math.hypot(first.width_major, first.width_minor) / math.sqrt(2)
        return min(width / (2 * self.reflected_focal_length * _WIDTH[self.emission]), _WIDEST)
