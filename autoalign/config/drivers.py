"""Checks the keys of each driver against that driver's own settings model."""

from __future__ import annotations

from dataclasses import dataclass, field
from pathlib import Path as FilePath
from typing import Any

from pydantic import ValidationError

from autoalign.config.own_drivers import own_driver
from autoalign.config.problems import Path, Problems
from autoalign.config.tables import AxisTable, BenchTables, DetectorTable, StageTable
from autoalign.core.errors import UnknownNameError, UsageError, unknown_name
from autoalign.plugins import names, plugin

__all__ = ["SIMULATED", "Fitted", "fit_drivers"]

SIMULATED = "simulated"
"""As a stage's port or a detector's driver: it comes from the simulation."""

_REPLACED = {("stages", "gcode"): "rs274"}
"""Drivers that are gone, by group and name, with the one to name in their place."""


@dataclass(slots=True)
class Fitted:
    """A driver with its validated settings, by stage or detector."""

    stages: dict[str, tuple[Any, Any]] = field(default_factory=dict)
    detectors: dict[str, tuple[Any, Any]] = field(default_factory=dict)


def fit_drivers(tables: BenchTables, problems: Problems) -> Fitted:
    """Load every driver and validate its settings; detectors of a simulation need none.

    Raises
    ------
    PluginError
        Where a driver cannot be loaded: that is no mistake of the file.
    """
    fitted = Fitted()
    for name, stage in tables.stages.items():
        settings = _fit("stages", name, stage.driver, _stage_keys(stage), tables, problems)
        if settings is not None:
            fitted.stages[name] = settings
    for name, detector in tables.detectors.items():
        if detector.driver == SIMULATED:
            _check_simulated(("detectors", name), detector, tables, problems)
            continue
        settings = _fit("detectors", name, detector.driver, detector.further, tables, problems)
        if settings is not None:
            fitted.detectors[name] = settings
    return fitted


def _stage_keys(stage: StageTable) -> dict[str, Any]:
    """Return the driver's keys; those inside an axis under ``axes`` and the axis' name."""
    axes = {name: axis.further for name, axis in stage.axes.items()}
    return {**stage.further, "axes": axes}


def _fit(
    group: str,
    name: str,
    driver: str,
    keys: dict[str, Any],
    tables: BenchTables,
    problems: Problems,
) -> tuple[Any, Any] | None:
    path = (group, name)
    try:
        loaded = plugin(group, driver)
    except UnknownNameError:
        if ":" in driver:
            return _fit_own(group, name, driver, keys, problems)
        known = [*names(group), SIMULATED] if group == "detectors" else names(group)
        kind = "stage driver" if group == "stages" else "detector driver"
        text = str(unknown_name(kind, driver, known))
        if (group, driver) in _REPLACED:
            new = _REPLACED[group, driver]
            text = f"the driver {driver!r} is gone; use {new!r}, which takes other keys"
        problems.add((*path, "driver"), text)
        return None
    if keys.get("port") == SIMULATED and tables.simulation is None:
        problems.add(
            (*path, "port"),
            "a simulated port needs a [simulation] table; add the table, or name the real port",
        )
    return _validated(loaded, group, name, keys, problems)


def _fit_own(
    group: str, name: str, driver: str, keys: dict[str, Any], problems: Problems
) -> tuple[Any, Any] | None:
    """Load a driver that the file names by where it is, and validate its settings."""
    try:
        loaded = own_driver(group, driver, FilePath(problems.source).parent)
    except UsageError as error:
        problems.add((group, name, "driver"), str(error))
        return None
    fitted = _validated(loaded, group, name, keys, problems)
    check = getattr(loaded, "problem", None)
    if check is not None and fitted is not None and (text := check(sorted(keys))):
        problems.add((group, name, "driver"), text)
        return None
    return fitted


def _validated(
    loaded: Any, group: str, name: str, keys: dict[str, Any], problems: Problems
) -> tuple[Any, Any] | None:
    path = (group, name)
    model = loaded.settings
    if "axes" in keys and "axes" not in model.model_fields:
        _refuse_axis_keys(path, keys.pop("axes"), problems)
    try:
        return loaded, model.model_validate(keys)
    except ValidationError as error:
        own = StageTable if group == "stages" else DetectorTable
        problems.add_all(error, model, path, own=own.model_fields, axis=AxisTable.model_fields)
        return None


def _refuse_axis_keys(path: Path, axes: dict[str, dict[str, Any]], problems: Problems) -> None:
    for axis, keys in axes.items():
        for key in keys:
            text = f"{unknown_name('key', key, AxisTable.model_fields, 'axis')}"
            problems.add((*path, "axes", axis, key), text)


def _check_simulated(
    path: Path, detector: DetectorTable, tables: BenchTables, problems: Problems
) -> None:
    if tables.simulation is None:
        problems.add(
            (*path, "driver"),
            "a simulated detector needs a [simulation] table; name a real driver "
            f"({', '.join(names('detectors'))}), or add the table",
        )
    for key in detector.further:
        text = f"{unknown_name('key', key, DetectorTable.model_fields, 'simulated detector')}"
        problems.add((*path, key), text)
