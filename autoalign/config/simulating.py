"""The simulated bench of a bench file: the bench that the file describes, or none."""

from __future__ import annotations

import dataclasses
import inspect
from typing import TYPE_CHECKING, Any

from autoalign.config.bench_types import bench_type
from autoalign.core.clock import Clock
from autoalign.core.errors import UsageError
from autoalign.core.interfaces import Simulation
from autoalign.optics.layout import Layout
from autoalign.plugins import plugin

if TYPE_CHECKING:
    from autoalign.config.benchfile import BenchFile
    from autoalign.config.tables import SimulationTable

__all__ = ["simulated_world"]

_PARTS = ("light", "elements", "planes", "motions")


def simulated_world(file: BenchFile, table: SimulationTable, clock: Clock) -> Simulation:
    """Return the simulation of the optics that ``file`` describes.

    A simulated bench has optics of its own, those of its example. Where the file's are others, it
    is made with these, if it takes a ``layout``.

    Raises
    ------
    UsageError
        Where it simulates another kind of bench, or takes no other optics than its own.
    """
    make = plugin("simulations", table.bench)
    settings: dict[str, Any] = {"seed": table.seed, "clock": clock}
    for key, plain in (("fidelity", "frames"), ("light", "")):
        wanted_of = getattr(table, key)
        if wanted_of == plain:
            continue
        if not _takes(make, key):
            raise UsageError(
                f"{file.source}, simulation: {table.bench!r} does not offer {key}; leave out "
                f"{key} = {wanted_of!r}, or use another simulated bench."
            )
        settings[key] = wanted_of
    simulation: Simulation = make(**settings)
    own, wanted = _layout(simulation), _wanted(file)
    if own is None or wanted is None or own == wanted:
        return simulation
    simulation.close()
    if own.kind != wanted.kind:
        raise UsageError(
            f"{file.source}, simulation: the file describes a {wanted.kind}, but "
            f"{table.bench!r} simulates a {own.kind}; use the layout of [bench] in [simulation]."
        )
    if not _takes(make, "layout"):
        raise UsageError(
            f"{file.source}, simulation: {table.bench!r} simulates one fixed bench, and the "
            f"file differs from it in its {' and '.join(_differences(own, wanted))}. Use that "
            "bench's values in the file, or another simulated bench."
        )
    made: Simulation = make(**settings, layout=wanted)
    return made


def _takes(make: Any, argument: str) -> bool:
    return argument in inspect.signature(make).parameters


def _layout(simulation: Any) -> Layout | None:
    """Return the nominal optics of a simulation; None where it does not tell."""
    if not hasattr(simulation, "bench"):
        return None
    layout: Layout | None = simulation.bench().layout
    return layout


def _wanted(file: BenchFile) -> Layout | None:
    """Return the file's optics with all of the family's axes: the file may leave some alone."""
    if file.layout is None:
        return None
    named = {m.axis for m in file.layout.motions}
    standard = bench_type(file.tables.bench.layout).layout(file.tables).motions
    rest = tuple(m for m in standard if m.axis not in named)
    return dataclasses.replace(file.layout, motions=(*file.layout.motions, *rest))


def _differences(own: Layout, wanted: Layout) -> list[str]:
    return [part for part in _PARTS if getattr(own, part) != getattr(wanted, part)]
