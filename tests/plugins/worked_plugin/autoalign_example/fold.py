"""A layout: one flat mirror that folds a beam by a right angle."""

from __future__ import annotations

import math

from autoalign.config.bench_types import BenchType
from autoalign.config.tables import BenchTables
from autoalign.optics.layout import Beam, Element, Flat, Layout, Motion, Plane

HALF = math.sqrt(0.5)
MIRROR = ((HALF, 0.0, -HALF), (0.0, 1.0, 0.0), (HALF, 0.0, HALF))
"""From the mirror's frame to the bench's: its normal halves the angle between −x and z."""


class Fold(BenchType):
    """One fold mirror that turns a beam by a right angle."""

    needs = ("beam",)
    arrangement = ("clear_aperture",)

    def layout(self, tables: BenchTables) -> Layout:
        """Return the beam along x, the mirror at the origin, and the planes along z."""
        beam = tables.beam
        assert beam is not None  # the reader has seen to that: it is in needs
        light = Beam(
            beam.diameter, beam.wavelength, (-100.0, 0.0, 0.0), (1.0, 0.0, 0.0), beam.divergence,
            beam.profile, beam.others,
        )  # fmt: skip
        aperture = tables.arrangement.clear_aperture or 25.4
        return Layout(
            kind="example-fold",
            light=light,
            elements=(Element("first", Flat(aperture), (0.0, 0.0, 0.0), MIRROR),),
            planes=tuple(Plane(name, distance) for name, distance in tables.planes.items()),
            motions=(
                Motion("first.tip", "first", "turn", (HALF, 0.0, HALF)),
                Motion("first.tilt", "first", "turn", (0.0, 1.0, 0.0)),
            ),
        )
