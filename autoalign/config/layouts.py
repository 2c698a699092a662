"""From tables to axes and to the nominal geometry of the bench."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Collection

from autoalign.config.bench_types import OPTICS, BenchType, bench_type, vector
from autoalign.config.optics_tables import MotionTable
from autoalign.config.problems import Problems
from autoalign.config.tables import AxisTable, BenchTables
from autoalign.core.axes import Axis
from autoalign.core.errors import UnknownNameError, UsageError, unknown_name
from autoalign.core.foreign import foreign
from autoalign.optics.layout import Layout, Motion

__all__ = ["axes_of", "layout_of"]


def axes_of(tables: BenchTables, problems: Problems) -> dict[str, tuple[Axis, ...]]:
    """Return the axes of each stage; a name on two stages is a mistake."""
    seen: dict[str, str] = {}
    stages: dict[str, tuple[Axis, ...]] = {}
    for stage, table in tables.stages.items():
        axes: list[Axis] = []
        for name, axis in table.axes.items():
            path = ("stages", stage, "axes", name)
            if name in seen:
                problems.add(path, f"stage {seen[name]!r} already has an axis of this name")
            seen.setdefault(name, stage)
            try:
                axes.append(_axis(name, axis))
            except UsageError as error:
                problems.add(path, str(error))
        stages[stage] = tuple(axes)
    return stages


def _axis(name: str, table: AxisTable) -> Axis:
    lower, upper = table.travel

    def number(key: str) -> float | None:
        given = getattr(table, key)
        return given.value if given is not None else None

    return Axis(
        name=name,
        unit="mm" if lower.unit == "mm" else "rad",
        lower=lower.value,
        upper=upper.value,
        resolution=number("resolution") or 0.0,
        backlash=number("backlash") or 0.0,
        approach=1 if table.approach == "+" else -1,
        speed=number("speed"),
        tolerance=number("tolerance"),
        max_step=number("max_step"),
    )


def layout_of(tables: BenchTables, present: Collection[str], problems: Problems) -> Layout | None:
    """Return the nominal geometry, or None for a bench without optics.

    ``present`` names the tables of the file, also those that were too wrong to be kept.
    """
    if not any(name in present for name in OPTICS):
        return None
    name = tables.bench.layout
    try:
        kind = bench_type(name)
    except UnknownNameError as error:
        problems.add(("bench", "layout"), str(error))
        return None
    _check_tables(name, kind, tables, present, problems)
    if any(getattr(tables, need) is None for need in kind.needs):
        return None
    try:
        with foreign(f"layout {name!r}"):
            layout = kind.layout(tables)
    except UsageError as error:
        problems.add((kind.needs[0],), str(error))
        return None
    return _with_motions(layout, tables, problems)


def _check_tables(
    name: str, kind: BenchType, tables: BenchTables, present: Collection[str], problems: Problems
) -> None:
    """Note tables that the layout needs and the file lacks, and those that it does not use."""
    listed = ", ".join(f"[{need}]" for need in kind.needs)
    for table in OPTICS:
        if table in kind.needs and table not in present:
            problems.add(("bench", "layout"), f"layout {name} needs {listed}; add [{table}]")
        if table in present and table not in kind.needs:
            problems.add((table,), f"layout {name} does not use this table; it needs {listed}")
    for key in tables.arrangement.model_dump(exclude_none=True):
        if key not in kind.arrangement:
            text = str(unknown_name("key", key, kind.arrangement, f"layout {name}"))
            problems.add(("arrangement", key), text)


def _with_motions(layout: Layout, tables: BenchTables, problems: Problems) -> Layout:
    """Keep the motions of the bench's own axes, with the file's where it describes one."""
    standard = {m.axis: m for m in layout.motions}
    motions: list[Motion] = []
    for stage, table in tables.stages.items():
        for name, axis in table.axes.items():
            path = ("stages", stage, "axes", name)
            if name in (m.axis for m in motions):
                continue
            if axis.motion is not None:
                motions.append(_motion(name, axis.motion))
            elif name in standard:
                motions.append(standard[name])
            else:
                problems.add(path, _unknown_axis(name, layout.kind, list(standard)))
                continue
            wanted = "mm" if motions[-1].kind == "shift" else "rad"
            if axis.travel[0].unit != wanted:
                problems.add(
                    (*path, "travel"),
                    f"this axis is a {motions[-1].kind}; give its travel in "
                    f"{'mm' if wanted == 'mm' else 'mrad or deg'}",
                )
    try:
        return dataclasses.replace(layout, motions=tuple(motions))
    except UsageError as error:
        problems.add(("stages",), str(error))
        return layout


def _unknown_axis(name: str, kind: str, known: list[str]) -> str:
    error = unknown_name("axis", name, known, f"layout {kind}")
    return (
        f"{error} Use one of these names, or describe what the axis does: motion = {{ part, kind, "
        "direction }"
    )


def _motion(axis: str, table: MotionTable) -> Motion:
    length = math.hypot(*table.direction)
    direction = vector([d / length for d in table.direction])
    return Motion(axis, table.part, table.kind, direction, vector(table.pivot))
