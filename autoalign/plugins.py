"""Plug-ins: what other packages add under an entry-point group, loaded when first asked for.

=======================  ==========================================================================
group                    what an entry point names
=======================  ==========================================================================
autoalign.strategies     a class with ``name``, ``needs`` and ``propose`` (:mod:`.search.base`)
autoalign.stages         a stage driver with ``settings`` and ``build`` (:mod:`.interfaces`)
autoalign.detectors      a detector driver with ``settings`` and ``build``
autoalign.layouts        a subclass of ``BenchType`` (:mod:`.config.bench_types`)
autoalign.simulations    a callable that makes a whole simulated bench from a seed
autoalign.problems       a set of problems to compare strategies on (:mod:`.benchmark.problems`)
autoalign.terms          a callable that makes a merit term (:mod:`.merit`)
autoalign.observers      an object that follows events (:mod:`.hookspecs`)
=======================  ==========================================================================

Each is loaded alone: one that is broken is listed with the reason and never stops the others. A
plug-in goes by its name. Where several packages offer one name, it means the one that comes with
autoalign, and nothing where none does; the others are written ``package:name``. Any plug-in may be
written so.
"""

from __future__ import annotations

import re
from collections import defaultdict
from collections.abc import Mapping, Sequence
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
    "layouts": "layout",
    "simulations": "simulated bench",
    "problems": "problem set",
    "terms": "merit term",
    "observers": "observer",
}
"""What one plug-in of each group is called."""

_MEMBERS = {
    "strategies": ("name", "needs", "propose"),
    "stages": ("settings", "build"),
    "detectors": ("settings", "build"),
    "problems": ("version", "summary", "held_out", "problems"),
    "layouts": ("needs", "arrangement", "layout"),
}
_CALLABLE = frozenset({"strategies", "layouts", "simulations", "terms"})
_FACTORIES = frozenset({"simulations", "terms"})


@dataclass(frozen=True, slots=True)
class PluginInfo:
    """One plug-in as listed: how its name is written, and where it comes from.

    ``problem`` says why it cannot be used, ``clash`` who else offers its name and which of them the
    plain name means; both are empty where there is nothing to say.
    """

    group: str
    name: str
    target: str
    package: str
    version: str
    summary: str = ""
    problem: str = ""
    clash: str = ""

    @property
    def broken(self) -> bool:
        """Whether it cannot be used."""
        return bool(self.problem)


def names(group: str) -> tuple[str, ...]:
    """Return the names that ``group`` offers, sorted, without loading anything.

    One that another plug-in has taken is given as ``package:name``.
    """
    return tuple(sorted(_written(_offers(group))))


def plugin(group: str, name: str) -> Any:
    """Load the plug-in ``name``, or ``package:name``, of ``group`` ("strategies", "stages", …).

    What makes a simulated bench or a merit term is returned so that its failures are errors of this
    library with the plug-in's name.

    Raises
    ------
    UnknownNameError
        Where no package offers that name; the closest existing one is suggested.
    PluginError
        Where it is offered but cannot be loaded, or lacks what its group must have; or where
        several packages offer it and none of them is autoalign.
    """
    loaded = _load(group, name, _chosen(group, name))
    if group in _FACTORIES:
        return guarded(loaded, f"{GROUPS[group]} {name!r}")
    return loaded


def catalogue(group: str | None = None) -> list[PluginInfo]:
    """Load and list every plug-in of ``group``, or of all groups; broken ones with the reason."""
    groups = [group] if group is not None else list(GROUPS)
    found: list[PluginInfo] = []
    for each in groups:
        offers = _offers(each)
        for written, point in sorted(_written(offers).items()):
            found.append(_describe(each, written, point, offers[point.name]))
    return found


def _offers(group: str) -> dict[str, list[EntryPoint]]:
    """Return the entry points of ``group`` by name: that of autoalign first, then by package."""
    if group not in GROUPS:
        raise unknown_name("plug-in group", group, GROUPS)
    found: dict[str, list[EntryPoint]] = defaultdict(list)
    for point in entry_points(group=f"autoalign.{group}"):
        if all(point.value != other.value for other in found[point.name]):
            found[point.name].append(point)
    return {name: sorted(points, key=_rank) for name, points in found.items()}


def _rank(point: EntryPoint) -> tuple[bool, str, str]:
    return not _built_in(point), _package(point), point.value


def _written(offers: Mapping[str, Sequence[EntryPoint]]) -> dict[str, EntryPoint]:
    """Return every plug-in by the name that means it and no other."""
    written: dict[str, EntryPoint] = {}
    for name, points in offers.items():
        plain = len(points) == 1 or _built_in(points[0])
        if plain:
            written[name] = points[0]
        for point in points[plain:]:
            written[f"{_package(point)}:{name}"] = point
    return written


def _chosen(group: str, name: str) -> EntryPoint:
    """Return the entry point that ``name`` means."""
    offers = _offers(group)
    written = _written(offers)
    if name in written:
        return written[name]
    package, _, plain = name.rpartition(":")
    of_package = [p for p in offers.get(plain, ()) if package and _same(package, _package(p))]
    if of_package:
        return of_package[0]
    if name in offers:
        raise PluginError(f"{GROUPS[group]} {_clash(name, offers[name])}")
    raise unknown_name(GROUPS[group], name, written)


def _clash(name: str, points: Sequence[EntryPoint]) -> str:
    """Return who offers ``name``, and which of them it means."""
    rivals = ", ".join(f"{_package(p)} ({p.value})" for p in points)
    ways = " or ".join(f"{f'{_package(p)}:{name}'!r}" for p in points if not _built_in(p))
    meant = (
        f"{name!r} means that of autoalign; write {ways} for the other"
        if _built_in(points[0])
        else f"write {ways}"
    )
    return f"{name!r} is offered by several packages, {rivals}; {meant}."


def _built_in(point: EntryPoint) -> bool:
    return _same(_package(point), "autoalign")


def _same(package: str, other: str) -> bool:
    """Whether two names are one package's: hyphen, dot and underscore, and case, mean the same."""
    return re.sub(r"[-_.]+", "-", package).lower() == re.sub(r"[-_.]+", "-", other).lower()


def _load(group: str, name: str, point: EntryPoint) -> Any:
    who = f"{GROUPS[group]} {name!r}"
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


def _describe(
    group: str, name: str, point: EntryPoint, offered: Sequence[EntryPoint]
) -> PluginInfo:
    version = point.dist.version if point.dist else ""
    summary = problem = ""
    try:
        with foreign(f"{GROUPS[group]} {name!r}"):
            summary = _summary(_load(group, name, point))
    except AlignError as error:
        problem = str(error)
    clash = _clash(point.name, offered) if len(offered) > 1 else ""
    return PluginInfo(group, name, point.value, _package(point), version, summary, problem, clash)


def _summary(loaded: Any) -> str:
    """Return what a plug-in says of itself, or the first line of its docstring, without markup."""
    said = getattr(loaded, "summary", None)
    if isinstance(said, str):
        return said
    own = loaded if callable(loaded) or not hasattr(type(loaded), "__doc__") else type(loaded)
    first = next(iter((own.__doc__ or "").strip().splitlines()), "")
    return re.sub(r":\w+:`[~.]*([^`]*)`|``([^`]*)``", r"\1\2", first)


def _package(point: EntryPoint) -> str:
    return point.dist.name if point.dist else "an unknown package"
