"""From the [spec] table to a :class:`~autoalign.spec.terms.Spec`, with terms from plug-ins."""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from typing import Any

from autoalign.config.problems import Path, Problems
from autoalign.config.tables import BenchTables, TermTable
from autoalign.core.errors import UsageError, unknown_name
from autoalign.core.units import kind_name, parse_quantity
from autoalign.optics.ideal import effective_size
from autoalign.optics.layout import Source
from autoalign.plugins import plugin
from autoalign.spec.terms import MeritTerm, Spec

__all__ = ["TERM_KEYS", "spec_of"]

SHORTHANDS: dict[str, tuple[str, dict[str, Any]]] = {
    "pointing_x": ("pointing", {"direction": "x"}),
    "pointing_y": ("pointing", {"direction": "y"}),
}
"""Names of terms that stand for a term with its settings."""

TERM_KEYS: dict[str, tuple[str, str]] = {
    "direction": ('"x" or "y"', "Direction of the pointing: x in the plane of incidence, y up."),
    "quantity": (
        "text",
        'Name of the quantity: "far.x" and "far.y" (centroid), "far.xx", "far.yy" and "far.xy" '
        '(widths d_σ and the cross term), "pointing_x", "meter.power" for the reading of a '
        "detector.",
    ),
    "unit": ('"mm", "rad" or "1"', "Unit of the quantity in reports; that of the tolerance."),
    "source_divergence": (
        "a number in rad, or an angle",
        "Divergence that the size of the source causes by itself; core diameter (of a single "
        "mode what diffraction makes of it) over reflected focal length, taken from the file.",
    ),
    "near": ("text", "Plane from which the growth of the beam is measured; the first of [planes]."),
    "far": ("text", "Plane up to which it is measured; the last of [planes]."),
    "wavelength": (
        "a length",
        "Wavelength that a tolerance of the wavefront in nm refers to; that of the light.",
    ),
    "waist": (
        "a number in mm, or a length",
        "Distance after the mirror at which the beam is narrowest; taken from the file.",
    ),
}
"""Type and meaning of the keys that the terms of this package add."""

_UNITS = {"pointing": "rad", "divergence": "rad", "ellipticity": "1"}


def spec_of(tables: BenchTables, problems: Problems) -> Spec | None:
    """Return the spec, or None for a bench that is only measured."""
    if tables.spec is None:
        return None
    offered = _offered(tables)
    terms = [_term(label, table, offered, problems) for label, table in tables.spec.terms.items()]
    if not terms:
        problems.add(("spec",), "a spec needs at least one term, or leave the table out")
        return None
    try:
        return Spec(tuple(t for t in terms if t is not None), tables.spec.guard)
    except UsageError as error:
        if None not in terms:
            problems.add(("spec",), str(error))
        return None


def _offered(tables: BenchTables) -> dict[str, Any]:
    """Return what a term takes from the rest of the file, by the name of its parameter."""
    planes = list(tables.planes)
    offered: dict[str, Any] = {"near": planes[0], "far": planes[-1]}
    optic = tables.optic or tables.first
    light = tables.source or tables.beam
    if light is not None:
        offered["wavelength"] = light.wavelength
    if tables.source is not None and optic is not None:
        rho = optic.reflected_focal_length
        # A single mode's face is as wide as diffraction makes it.
        source = tables.source
        face = Source(
            source.core_diameter,
            source.na,
            source.wavelength,
            (0, 0, 0),
            (0, 0, 1),
            source.emission,
        )
        offered["source_divergence"] = effective_size(face) / rho
        if tables.optic is not None:
            offered["waist"] = rho
    return offered


def _term(
    label: str, table: TermTable, offered: Mapping[str, Any], problems: Problems
) -> MeritTerm | None:
    path = ("spec", label)
    name, preset = SHORTHANDS.get(label, (label, {})) if table.term is None else (table.term, {})
    try:
        factory = plugin("terms", name)
    except UsageError as error:
        advice = ' For one quantity alone: term = "quantity", quantity = "far.x"'
        problems.add(path if table.term is None else (*path, "term"), f"{error}{advice}")
        return None
    before = len(problems)
    arguments = _arguments(name, table, preset, factory, offered, path, problems)
    if len(problems) > before:
        return None
    try:
        made: MeritTerm = factory(**arguments)
    except (UsageError, TypeError) as error:
        problems.add(path, str(error))
        return None
    return made


def _arguments(
    name: str,
    table: TermTable,
    preset: Mapping[str, Any],
    factory: Callable[..., Any],
    offered: Mapping[str, Any],
    path: Path,
    problems: Problems,
) -> dict[str, Any]:
    """Gather what the term is made with; what is missing or too much is a mistake."""
    parameters = inspect.signature(factory).parameters
    _check_units(name, table, path, problems)
    own = {"tolerance": table.tolerance.value, "weight": table.weight}
    if table.target is not None:
        own["target"] = table.target.value
    given = {**preset, **own, **{k: _inner(v) for k, v in table.further.items()}}
    given.setdefault("unit", table.tolerance.unit)
    for key in table.further | ({"target": 0} if table.target is not None else {}):
        if key not in parameters:
            problems.add((*path, key), f"{unknown_name('key', key, parameters, f'term {name}')}")
    for key, parameter in parameters.items():
        if parameter.default is parameter.empty and key not in given and key not in offered:
            problems.add(path, f"term {name} needs the key {key!r}; add it")
    return {k: v for k, v in {**offered, **given}.items() if k in parameters}


def _check_units(name: str, table: TermTable, path: Path, problems: Problems) -> None:
    wanted = _UNITS.get(name, table.tolerance.unit)
    for key, given in (("tolerance", table.tolerance), ("target", table.target)):
        if given is not None and given.unit != wanted:
            text = f"{name} is {kind_name(wanted)}; {given.text} is {kind_name(given.unit)}"
            problems.add((*path, key), text)
    if name == "ellipticity" and wanted == table.tolerance.unit and table.tolerance.value >= 1:
        text = (
            f"{table.tolerance.text} of a ratio between 0 and 1 accepts every beam; "
            'give for instance "1.5 %"'
        )
        problems.add((*path, "tolerance"), text)


def _inner(value: Any) -> Any:
    """Convert a quantity; leave every other value as it is."""
    if isinstance(value, str):
        try:
            return parse_quantity(value)[0]
        except UsageError:
            return value
    return value
