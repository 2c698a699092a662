"""The suite of layouts passes a right bench type and fails every planted wrong one."""

from __future__ import annotations

import itertools
import math
from collections.abc import Callable
from dataclasses import replace
from typing import Any

import pytest

from autoalign.config.bench_types import BenchType
from autoalign.config.tables import BenchTables
from autoalign.core.errors import UsageError
from autoalign.optics.layout import Beam, Element, Flat, Layout, Motion, Plane
from autoalign.testing import LayoutConformance

HALF = math.sqrt(0.5)
MIRROR = ((HALF, 0.0, -HALF), (0.0, 1.0, 0.0), (HALF, 0.0, HALF))
OPTICS = """
[beam]
diameter = "5 mm"
wavelength = "660 nm"
[source]
core_diameter = "9 um"
na = 0.1
wavelength = "500 nm"
[arrangement]
clear_aperture = "30 mm"
separation = "300 mm"
[planes]
near = "200 mm"
far = "2 m"
"""


class Right(BenchType):
    """One mirror that folds a beam."""

    needs = ("beam",)
    arrangement = ("clear_aperture",)

    def layout(self, tables: BenchTables) -> Layout:
        """Return it."""
        if tables.beam is None:
            raise UsageError("beam: missing.")
        beam = tables.beam
        return self.change(
            Layout(
                "fold",
                Beam(beam.diameter, beam.wavelength, (-100.0, 0.0, 0.0), (1.0, 0.0, 0.0)),
                (
                    Element(
                        "first",
                        Flat(tables.arrangement.clear_aperture or 25.4),
                        (0.0, 0.0, 0.0),
                        MIRROR,
                    ),
                ),
                tuple(Plane(name, distance) for name, distance in tables.planes.items()),
                (
                    Motion("first.tip", "first", "turn", (HALF, 0.0, HALF)),
                    Motion("first.tilt", "first", "turn", (0.0, 1.0, 0.0)),
                ),
            ),
            tables,
        )

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Return the changed layout."""
        return layout


class NeedsNothing(Right):
    """Does not say what it needs."""

    needs = ()


class NeedsWhatThereIsNot(Right):
    """Needs a table that no bench file has."""

    needs = ("beam", "prism")


class NeedsTwice(Right):
    """Names a table twice."""

    needs = ("beam", "beam")


class NeedsTooMuch(Right):
    """Demands a table that it does not read."""

    needs = ("beam", "source")


class ReadsWhatItDoesNotNeed(Right):
    """Takes the wavelength of a table that the reader refuses."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Prefer the source's."""
        if tables.source is None:
            return layout
        return replace(layout, light=replace(layout.light, wavelength=tables.source.wavelength))


class ReadsAKeyThatItDoesNotTake(Right):
    """Takes a key of [arrangement] that the reader refuses."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Put it into the place of the light."""
        away = tables.arrangement.separation or 100.0
        return replace(layout, light=replace(layout.light, position=(-away, 0.0, 0.0)))


class TakesAKeyForNothing(Right):
    """Names a key that changes nothing."""

    arrangement = ("clear_aperture", "separation")


class TakesAnUnknownKey(Right):
    """Names a key that no bench file has."""

    arrangement = ("clear_aperture", "angle_of_fold")


class CannotDoWithoutAKey(Right):
    """Fails where a key is left out."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Demand it."""
        if tables.arrangement.clear_aperture is None:
            raise UsageError("clear_aperture: missing.")
        return layout


class NoKind(Right):
    """Is called nothing."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Take the name away."""
        return replace(layout, kind="")


class GivesNothing(Right):
    """Forgets to return."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Return nothing."""


class NoAxes(Right):
    """Has no axis."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Leave them out."""
        return replace(layout, motions=())


class LongDirection(Right):
    """Gives a direction that is no unit vector."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Make one longer."""
        tip = replace(layout.motions[0], direction=(1.0, 0.0, 1.0))
        return replace(layout, motions=(tip, layout.motions[1]))


class IdleAxis(Right):
    """Has an axis that turns the mirror within its own surface."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Add it."""
        idle = Motion("first.roll", "first", "turn", (-HALF, 0.0, HALF))
        return replace(layout, motions=(*layout.motions, idle))


class OtherEachTime(Right):
    """Numbers its benches."""

    count = itertools.count()

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Give each another name."""
        return replace(layout, kind=f"fold {next(self.count)}")


class ChangesTheTables(Right):
    """Sorts the planes of the file."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Move one of them."""
        tables.planes["far"] = 2000.0 + layout.planes[-1].distance
        return layout


class LosesAPlane(Right):
    """Forgets the last plane."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Forget it."""
        return replace(layout, planes=layout.planes[:-1])


class PlanesReversed(Right):
    """Takes far for near."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Exchange them."""
        return replace(layout, planes=layout.planes[::-1])


class PlanesInCentimetres(Right):
    """Converts what has been converted."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Divide by ten."""
        planes = tuple(replace(p, distance=p.distance / 10) for p in layout.planes)
        return replace(layout, planes=planes)


class OwnWavelength(Right):
    """Knows better what the laser gives."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Use it."""
        return replace(layout, light=replace(layout.light, wavelength=633e-6))


class TooSmall(Right):
    """Has a mirror that most of the light misses."""

    def change(self, layout: Layout, tables: BenchTables) -> Any:
        """Shrink it, in the proportion of the file."""
        mirror = layout.elements[0]
        small = replace(mirror, surface=Flat(mirror.surface.clear_aperture / 20))
        return replace(layout, elements=(small,))


PLANTED: list[tuple[type[Right], str]] = [
    (NeedsNothing, "test_is_a_bench_type"),
    (NeedsWhatThereIsNot, "test_is_a_bench_type"),
    (NeedsTwice, "test_is_a_bench_type"),
    (TakesAnUnknownKey, "test_is_a_bench_type"),
    (NeedsTooMuch, "test_every_table_that_it_needs_matters"),
    (ReadsWhatItDoesNotNeed, "test_reads_no_table_that_it_does_not_need"),
    (ReadsAKeyThatItDoesNotTake, "test_reads_no_table_that_it_does_not_need"),
    (TakesAKeyForNothing, "test_every_key_of_the_arrangement_matters_and_may_be_left_out"),
    (CannotDoWithoutAKey, "test_every_key_of_the_arrangement_matters_and_may_be_left_out"),
    (NoKind, "test_gives_a_layout_with_axes"),
    (GivesNothing, "test_gives_a_layout_with_axes"),
    (NoAxes, "test_gives_a_layout_with_axes"),
    (LongDirection, "test_gives_a_layout_with_axes"),
    (IdleAxis, "test_every_axis_moves_the_light"),
    (OtherEachTime, "test_equal_tables_give_equal_layouts"),
    (ChangesTheTables, "test_equal_tables_give_equal_layouts"),
    (LosesAPlane, "test_has_the_planes_of_the_file"),
    (PlanesReversed, "test_has_the_planes_of_the_file"),
    (PlanesInCentimetres, "test_has_the_planes_of_the_file"),
    (OwnWavelength, "test_has_the_light_of_the_file"),
    (TooSmall, "test_the_light_arrives_in_the_middle_of_every_plane"),
]


Failing = Callable[[Callable[[], Any], str], set[str]]


def suite_of(kind: type[Right]) -> Callable[[], LayoutConformance]:
    """Return a maker of the suite for one kind of bench type."""

    class Suite(LayoutConformance):
        optics = OPTICS

        def make_bench_type(self) -> BenchType:
            return kind()

    return Suite


def test_a_right_bench_type_passes_as_the_planted_ones_are_run(failing: Failing) -> None:
    """What runs the suite on planted bench types finds nothing wrong with a right one."""
    assert failing(suite_of(Right), "bench_type") == set()


@pytest.mark.parametrize(("kind", "test"), PLANTED, ids=lambda v: getattr(v, "__name__", v))
def test_each_planted_bench_type_fails_the_test_that_is_there_for_it(
    failing: Failing, kind: type[Right], test: str
) -> None:
    """Whatever else it fails as well."""
    assert test in failing(suite_of(kind), "bench_type")


def test_no_test_of_the_suite_is_idle() -> None:
    """Each test of the suite is the one that a planted bench type is there for."""
    tests = {n for n in dir(LayoutConformance) if n.startswith("test_")}
    assert tests == {test for _, test in PLANTED}
