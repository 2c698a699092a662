"""Bench types: which tables each layout needs, and the nominal geometry that follows from them."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from typing import Any, ClassVar

from autoalign.config.optics_tables import OpticTable
from autoalign.config.tables import BenchTables
from autoalign.core.foreign import foreign
from autoalign.optics.layout import Layout, Vector
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import (
    collimator_layout,
    focuser_layout,
    relay_layout,
    steering_layout,
)
from autoalign.plugins import plugin

__all__ = ["OPTICS", "BenchType", "bench_type", "vector"]

OPTICS = ("optic", "first", "second", "source", "beam")
"""The tables of which each layout needs some."""


class BenchType(ABC):
    """From the tables of a bench file to the nominal geometry; the base class of every bench type.

    A plug-in offers a subclass under the entry-point group ``autoalign.layouts``; ``layout`` in
    [bench] names it. The reader checks ``needs`` and ``arrangement`` against the file and refuses
    every other optical table and key, calls :meth:`layout` with a new object, and keeps the motions
    of the axes that the file has. :class:`autoalign.testing.LayoutConformance` tests one.
    """

    needs: ClassVar[tuple[str, ...]]
    """The optical tables that it needs, out of :data:`OPTICS`; it gets all of them."""

    arrangement: ClassVar[tuple[str, ...]] = ()
    """The keys of [arrangement] that it takes; the file may leave each out."""

    @abstractmethod
    def layout(self, tables: BenchTables) -> Layout:
        """Return the bench on paper: light, optics, planes, and the motion of every axis.

        Lengths in ``tables`` are in mm and angles in rad. Equal tables give equal layouts.

        Raises
        ------
        UsageError
            Where the values contradict each other; the message goes to whoever wrote the file.
        """


class Collimator(BenchType):
    """A diverging source in the focus of a paraboloid, to a collimated beam."""

    needs = ("optic", "source")

    def layout(self, tables: BenchTables) -> Layout:
        """Return the nominal collimator."""
        optic, source = _given(tables.optic), _given(tables.source)
        return collimator_layout(
            section(optic),
            source.core_diameter,
            source.na,
            source.wavelength,
            planes=tuple(tables.planes.items()),
            pivot=vector(optic.pivot),
            emission=source.emission,
            others=source.others,
        )


class Focuser(BenchType):
    """A collimated beam, by a steering mirror and a paraboloid, to a focus."""

    needs = ("optic", "beam")
    arrangement = ("steering_distance",)

    def layout(self, tables: BenchTables) -> Layout:
        """Return the nominal focuser."""
        optic, beam = _given(tables.optic), _given(tables.beam)
        return focuser_layout(
            section(optic),
            beam.diameter,
            beam.wavelength,
            planes=tuple(tables.planes.items()),
            pivot=vector(optic.pivot),
            profile=beam.profile,
            divergence=beam.divergence,
            others=beam.others,
            **_arrangement(tables),
        )


class Relay(BenchType):
    """A source imaged by two paraboloids onto a fibre end or pinhole."""

    needs = ("first", "second", "source")
    arrangement = ("separation", "orientation")

    def layout(self, tables: BenchTables) -> Layout:
        """Return the nominal relay."""
        first, second = _given(tables.first), _given(tables.second)
        source = _given(tables.source)
        return relay_layout(
            section(first),
            section(second),
            source.core_diameter,
            source.na,
            source.wavelength,
            planes=tuple(tables.planes.items()),
            pivot=vector(first.pivot),
            emission=source.emission,
            others=source.others,
            **_arrangement(tables),
        )


class Steering(BenchType):
    """Two flat fold mirrors that bring a beam onto a near and a far target."""

    needs = ("beam",)
    arrangement = ("separation", "clear_aperture")

    def layout(self, tables: BenchTables) -> Layout:
        """Return the nominal pair of mirrors."""
        beam = _given(tables.beam)
        return steering_layout(
            beam.diameter,
            beam.wavelength,
            planes=tuple(tables.planes.items()),
            profile=beam.profile,
            divergence=beam.divergence,
            others=beam.others,
            **_arrangement(tables),
        )


def bench_type(name: str) -> BenchType:
    """Return a new object of the bench type that a file calls ``name``.

    Raises
    ------
    UnknownNameError
        Where no package offers it.
    PluginError
        Where it cannot be loaded or made.
    """
    offered = plugin("layouts", name)
    with foreign(f"layout {name!r}"):
        made: BenchType = offered()
    return made


def section(optic: OpticTable) -> OffAxisParaboloid:
    """Return the paraboloid that a table describes."""
    return OffAxisParaboloid(
        optic.reflected_focal_length, math.degrees(optic.off_axis_angle), optic.clear_aperture
    )


def vector(values: list[float]) -> Vector:
    """Return three numbers as a vector."""
    x, y, z = values
    return (x, y, z)


def _arrangement(tables: BenchTables) -> dict[str, Any]:
    given: dict[str, Any] = tables.arrangement.model_dump(exclude_none=True)
    return given


def _given(table: Any) -> Any:
    """Return a table that has been checked to be there."""
    assert table is not None
    return table
