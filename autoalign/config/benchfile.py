"""A bench file, read and checked; and the bench that it describes, opened."""

from __future__ import annotations

import os
from collections.abc import Mapping
from contextlib import AbstractContextManager
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autoalign.config.drivers import Fitted, fit_drivers
from autoalign.config.layouts import axes_of, layout_of
from autoalign.config.problems import Problems
from autoalign.config.reading import parse, read_text
from autoalign.config.sharing import check_sharing
from autoalign.config.tables import BenchTables
from autoalign.config.terms import spec_of
from autoalign.config.uncertainties import check_uncertainties
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError, unknown_name
from autoalign.optics.layout import Layout
from autoalign.plugins import names
from autoalign.spec.terms import Spec

if TYPE_CHECKING:
    from autoalign.config.opening import OpenBench

__all__ = ["BenchFile", "load_bench", "read_bench_file"]


@dataclass(frozen=True, slots=True)
class BenchFile:
    """The content of a bench file, checked, in mm, rad and s; nothing is opened yet.

    ``axes`` by stage; ``fitted`` the drivers with their settings.
    """

    source: str
    tables: BenchTables
    axes: Mapping[str, tuple[Axis, ...]]
    fitted: Fitted
    spec: Spec | None
    layout: Layout | None

    @property
    def strategy(self) -> str | None:
        """Name of the strategy that the file asks for, if it does."""
        return self.tables.bench.strategy

    def open(self, *, stages: bool = True, detectors: bool = True) -> OpenBench:
        """Open all hardware, or the simulated world, and return the bench; close it at the end.

        Without ``detectors`` only what moves is opened, without ``stages`` only what sees.
        """
        from autoalign.config.opening import open_bench  # noqa: PLC0415

        return open_bench(self, stages=stages, detectors=detectors)

    def talk(self, device: str) -> AbstractContextManager[Any]:
        """Open the port of one stage or detector for a conversation by hand; close it at the end.

        Raises
        ------
        UsageError
            For a device that is not in the file, or whose driver has no port to talk on.
        """
        from autoalign.config.opening import open_talk  # noqa: PLC0415

        return open_talk(self, device)


def read_bench_file(
    path: str | os.PathLike[str], overrides: Mapping[str, Any] | None = None
) -> BenchFile:
    """Read and check a bench file; no hardware is touched.

    Parameters
    ----------
    path
        A TOML file; ``autoalign/config/examples`` has annotated ones.
    overrides
        Values that replace the file's, by dotted key, for instance ``{"simulation.seed": 3}``.

    Raises
    ------
    BenchFileError
        With every mistake in the file, each with its line.
    UsageError
        Where the file cannot be read.
    """
    file = Path(path)
    return check_text(str(file), read_text(file), overrides or {})


def load_bench(
    path: str | os.PathLike[str], overrides: Mapping[str, Any] | None = None
) -> OpenBench:
    """Read a bench file and open what it describes; see :func:`read_bench_file`.

    Raises
    ------
    BenchFileError
        With every mistake in the file; nothing was opened.
    HardwareError
        Where a device does not answer as it should; what was open has been closed again.
    """
    return read_bench_file(path, overrides).open()


def check_text(source: str, text: str, overrides: Mapping[str, Any]) -> BenchFile:
    """Read and check the ``text`` of a bench file called ``source``."""
    raw, tables, problems = parse(source, text, overrides)
    if tables is None:
        problems.raise_any()
        raise UsageError(f"{source}: nothing in it could be read.")
    fitted = fit_drivers(tables, problems)
    check_sharing(fitted, problems)
    _check_names(raw, tables, problems)
    check_uncertainties(tables, problems)
    axes = axes_of(tables, problems)
    layout = layout_of(tables, raw.keys(), problems)
    spec = spec_of(tables, problems)
    problems.raise_any()
    return BenchFile(source, tables, axes, fitted, spec, layout)


def _check_names(raw: Mapping[str, Any], tables: BenchTables, problems: Problems) -> None:
    """Check every reference by name against the names in the file."""
    planes = _names(raw, "planes")
    for name, detector in tables.detectors.items():
        if planes and detector.plane not in planes:
            text = str(unknown_name("plane", detector.plane, planes))
            problems.add(("detectors", name, "plane"), text)
    axes = [
        axis for stage in _names(raw, "stages") for axis in _names(raw, "stages", stage, "axes")
    ]
    known = [*axes, *dict.fromkeys(axis.partition(".")[0] for axis in axes)]
    for place, locked in enumerate(tables.bench.locked):
        if locked not in known:
            problems.add(
                ("bench", "locked", place), str(unknown_name("part or axis", locked, known))
            )
    for group, path, asked in (
        ("strategies", ("bench", "strategy"), tables.bench.strategy),
        ("simulations", ("simulation", "bench"), tables.simulation and tables.simulation.bench),
    ):
        if asked and asked not in names(group):
            kind = "strategy" if group == "strategies" else "simulated bench"
            problems.add(path, str(unknown_name(kind, asked, names(group))))


def _names(raw: Any, *path: str) -> list[str]:
    """Return the keys of the table at ``path``; none where there is no such table."""
    for key in path:
        raw = raw.get(key) if isinstance(raw, Mapping) else None
    return [str(key) for key in raw] if isinstance(raw, Mapping) else []
