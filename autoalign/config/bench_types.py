"""Which tables each layout needs, and the nominal geometry that follows from them."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass
from typing import Any

from autoalign.config.optics_tables import OpticTable
from autoalign.config.tables import BenchTables
from autoalign.optics.layout import Layout, Vector
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import (
    collimator_layout,
    focuser_layout,
    relay_layout,
    steering_layout,
)

__all__ = ["BENCH_TYPES", "OPTICS", "BenchType", "vector"]

OPTICS = ("optic", "first", "second", "source", "beam")
"""The tables of which each layout needs some."""


@dataclass(frozen=True, slots=True)
class BenchType:
    """The optical tables that a layout needs, its keys of [arrangement], and its geometry."""

    needs: tuple[str, ...]
    arrangement: tuple[str, ...]
    layout: Callable[[BenchTables], Layout]


def _collimator(tables: BenchTables) -> Layout:
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


def _focuser(tables: BenchTables) -> Layout:
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


def _relay(tables: BenchTables) -> Layout:
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


def _steering(tables: BenchTables) -> Layout:
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


BENCH_TYPES = {
    "collimator": BenchType(("optic", "source"), (), _collimator),
    "focuser": BenchType(("optic", "beam"), ("steering_distance",), _focuser),
    "relay": BenchType(("first", "second", "source"), ("separation", "orientation"), _relay),
    "steering": BenchType(("beam",), ("separation", "clear_aperture"), _steering),
}
"""Every layout by name."""


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
