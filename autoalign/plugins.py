"""Plug-ins: what other packages add under an entry-point group, loaded when first asked for.

=======================  ==========================================================================
group                    what an entry point names
=======================  ==========================================================================
autoalign.strategies     a class with ``name``, ``needs`` and ``propose`` (:mod:`.search.base`)
autoalign.stages         a stage driver with ``settings`` and ``build`` (:mod:`.interfaces`)
autoalign.detectors      a detector driver with ``settings`` and ``build``
autoalign.simulations    a callable that makes a whole simulated bench from a seed
autoalign.terms          a callable that makes a merit term (:mod:`.merit`)
autoalign.observers      an object that follows events (:mod:`.hookspecs`)
=======================  ==========================================================================

Each is loaded alone: one that is broken is listed with the reason and never stops the others.
"""

from __future__ import annotations

import re
from collections import defaultdict
from dataclasses import dataclass
from importlib.metadata import EntryPoint, entry_points
from typing import Any

from autoalign.core.errors import AlignError, PluginError, unknown_name
from autoalign.core.foreign import foreign, guarded

__all__ = ["GROUPS", "PluginInfo", "catalogue", "names", "plugin"]

GROUPS = {
    "strategies": "strategy",
    "stages": "stage driver",
    "detectors": "detector driver",
    "simulations": "simulated bench",
    "terms": "merit term",
    "observers": "observer",
}
"""What one plug-in of each group is called."""

_MEMBERS = {
    "strategies": ("name", "needs", "propose"),
    "stages": ("settings", "build"),
    "detectors": ("settings", "build"),
}
_CALLABLE = frozenset({"strategies", "simulations", "terms"})
_FACTORIES = frozenset({"simulations", "terms"})


@dataclass(frozen=True, slots=True)
class PluginInfo:
    """One plug-in as listed: where it comes from, and ``problem`` where it cannot be used."""

    group: str
    name: str
    target: str
    package: str
    version: str
    summary: str = ""
    problem: str = ""

    @property
    def broken(self) -> bool:
        """Whether it cannot be used."""
        return bool(self.problem)


def names(group: str) -> tuple[str, ...]:
    """Return the names that ``group`` offers, sorted, without loading anything."""
    return tuple(sorted(_offers(group)))


def plugin(group: str, name: str) -> Any:
    """Load the plug-in ``name`` of ``group`` ("strategies", "stages", …).

    What makes a simulated bench or a merit term is returned so that its failures are errors of this
    library with the plug-in's name.

    Raises
    ------
    UnknownNameError
        Where no package offers that name; the closest existing one is suggested.
    PluginError
        Where it is offered but cannot be loaded, or lacks what its group must have.
    """
    offers = _offers(group)
    if name not in offers:
        raise unknown_name(GROUPS[group], name, offers)
    loaded = _load(group, name, offers[name])
    if group in _FACTORIES:
        return guarded(loaded, f"{GROUPS[group]} {name!r}")
    return loaded


def catalogue(group: str | None = None) -> list[PluginInfo]:
    """Load and list every plug-in of ``group``, or of all groups; broken ones with the reason."""
    groups = [group] if group is not None else list(GROUPS)
    return [_describe(g, name, found) for g in groups for name, found in sorted(_offers(g).items())]


def _offers(group: str) -> dict[str, list[EntryPoint]]:
    """Return the entry points of ``group`` by name; more than one where packages collide."""
    if group not in GROUPS:
        raise unknown_name("plug-in group", group, GROUPS)
    found: dict[str, list[EntryPoint]] = defaultdict(list)
    for point in entry_points(group=f"autoalign.{group}"):
        if all(point.value != other.value for other in found[point.name]):
            found[point.name].append(point)
    return dict(found)


def _load(group: str, name: str, found: list[EntryPoint]) -> Any:
    who = f"{GROUPS[group]} {name!r}"
    if len(found) > 1:
        rivals = ", ".join(f"{_package(p)} ({p.value})" for p in found)
        raise PluginError(f"{who} is offered more than once: {rivals}. Uninstall all but one.")
    point = found[0]
    origin = f"{point.value} of package {_package(point)}"
    with foreign(f"{who}, loaded from {origin},"):
        loaded = point.load()
        _check_shape(group, who, origin, loaded)
    return loaded


def _check_shape(group: str, who: str, origin: str, loaded: Any) -> None:
    missing = [member for member in _MEMBERS.get(group, ()) if not hasattr(loaded, member)]
    if missing:
        raise PluginError(
            f"{who} from {origin} lacks {', '.join(missing)}; every {GROUPS[group]} needs "
            f"{', '.join(_MEMBERS[group])}."
        )
    if group in _CALLABLE and not callable(loaded):
        raise PluginError(
            f"{who} from {origin} is of type {type(loaded).__name__}, not a callable."
        )


def _describe(group: str, name: str, found: list[EntryPoint]) -> PluginInfo:
    point = found[0]
    version = point.dist.version if point.dist else ""
    summary = problem = ""
    try:
        with foreign(f"{GROUPS[group]} {name!r}"):
            summary = _summary(_load(group, name, found))
    except AlignError as error:
        problem = str(error)
    return PluginInfo(group, name, point.value, _package(point), version, summary, problem)


def _summary(loaded: Any) -> str:
    """Return the first line of the docstring of a plug-in or of its class, without markup."""
    own = loaded if callable(loaded) or not hasattr(type(loaded), "__doc__") else type(loaded)
    first = next(iter((own.__doc__ or "").strip().splitlines()), "")
    return re.sub(r":\w+:`[~.]*([^`]*)`|``([^`]*)``", r"\1\2", first)


def _package(point: EntryPoint) -> str:
    return point.dist.name if point.dist else "an unknown package"
