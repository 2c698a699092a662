"""What a campaign runs on: simulated benches, problems of a set, or a person's own bench file.

A set is a plug-in of the group ``autoalign.problems``; see :class:`ProblemSet`.
"""

from __future__ import annotations

import inspect
from collections.abc import Callable, Mapping
from functools import lru_cache
from pathlib import Path
from typing import Any, Protocol

from autoalign.bench import Bench
from autoalign.core.errors import UsageError, unknown_name
from autoalign.plugins import names, plugin

__all__ = ["ProblemSet", "check_problem", "make_problem", "problems_of", "sets"]


class ProblemSet(Protocol):
    """What an entry point of ``autoalign.problems`` names."""

    @property
    def version(self) -> int:
        """Number of the version; a set that is changed gets the next."""
        ...

    @property
    def summary(self) -> str:
        """What the set is for, in a line."""
        ...

    @property
    def held_out(self) -> bool:
        """Whether no default of the library was chosen by looking at it."""
        ...

    @property
    def problems(self) -> Mapping[str, Callable[[int, str], Bench]]:
        """By name: makes the bench of a seed at a fidelity."""
        ...


def sets() -> dict[str, str]:
    """Return every set as it is named, with its version, and its summary."""
    return {_titled(n, plugin("problems", n)): plugin("problems", n).summary for n in _set_names()}


def problems_of(name: str) -> list[str]:
    """Return the problems of the set ``name`` ("everyday", or "everyday-1") as cases name them."""
    title, found = _set(name)
    return [f"{title}/{problem}" for problem in found.problems]


def check_problem(name: str, fidelity: str) -> None:
    """Refuse what cannot be made, before anything is run.

    Raises
    ------
    AlignError
        For a problem, simulated bench or bench file that does not exist, for a file that would
        open hardware, and for a bench that lacks the ``fidelity``.
    """
    with _maker(name)(0, fidelity):
        pass


def make_problem(name: str, seed: int, fidelity: str) -> Bench:
    """Return the bench of ``seed`` of what ``name`` names."""
    return _maker(name)(seed, fidelity)


@lru_cache(maxsize=256)
def _maker(name: str) -> Callable[[int, str], Bench]:
    if name.endswith(".toml"):
        return lambda seed, fidelity: _from_file(name, seed, fidelity)
    if "/" in name:
        title, _, problem = name.partition("/")
        found = _set(title)[1].problems
        if problem not in found:
            raise unknown_name("problem", problem, found, f"set {title}")
        return found[problem]
    make = plugin("simulations", name)
    takes = inspect.signature(make).parameters

    def made(seed: int, fidelity: str) -> Bench:
        more = {"fidelity": fidelity} if "fidelity" in takes else {}
        if not more and fidelity != "frames":
            raise UsageError(
                f"compare: the simulated bench {name!r} gives frames only; give --fidelity frames."
            )
        bench: Bench = make(seed, **more).bench()
        return bench

    return made


def _from_file(path: str, seed: int, fidelity: str) -> Bench:
    """Return the simulated bench of a bench file; hardware is never opened."""
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy

    if not Path(path).is_file():
        raise UsageError(f"compare, --benches {path}: there is no such bench file.")
    file = read_bench_file(path)
    if file.tables.simulation is None:
        raise UsageError(
            f"compare, --benches {path}: the file has no [simulation] table, and nothing is "
            'compared on hardware. Add the table, and port = "simulated" to each stage.'
        )
    real = [n for n, (_, s) in file.fitted.stages.items() if getattr(s, "port", "") != "simulated"]
    real += [n for n, d in file.tables.detectors.items() if d.driver != "simulated"]
    real += [a.name for axes in file.axes.values() for a in axes if a.by_hand]
    if real:
        raise UsageError(
            f"compare, --benches {path}: {', '.join(real)}: not simulated, and nothing is compared "
            "on hardware or by hand. Simulate all stages and detectors."
        )
    changed = {
        "simulation.seed": seed, "simulation.fidelity": fidelity, "simulation.link": "direct",
    }  # fmt: skip
    return read_bench_file(path, changed).open()


def _set_names() -> tuple[str, ...]:
    return names("problems")


def _titled(name: str, found: ProblemSet) -> str:
    return f"{name}-{found.version}"


def _set(name: str) -> tuple[str, ProblemSet]:
    """Return the set that ``name`` means, with or without its version, and its full name."""
    known: dict[str, Any] = {}
    for each in _set_names():
        found = plugin("problems", each)
        title = _titled(each, found)
        if name in (each, title):
            return title, found
        known[title] = found
    raise unknown_name("problem set", name, known)
