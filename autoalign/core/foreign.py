"""Calls into the code of others: whatever a driver or plug-in raises becomes an error of our tree.

A plug-in may raise anything, :class:`SystemExit` included. Inside :class:`foreign` that turns into
an error with the plug-in's name, so that axes are stopped, the record is closed and the exit code
tells a broken plug-in from a beam that is not in spec.
"""

from __future__ import annotations

import functools
import importlib.util
from collections.abc import Callable, Mapping, Sequence
from types import TracebackType
from typing import Any

from autoalign.core.axes import Axis
from autoalign.core.errors import (
    AlignError,
    DetectorError,
    LinkError,
    LinkTimeoutError,
    MissingExtraError,
    PluginError,
)
from autoalign.core.interfaces import AxisStatus, Detector, Exposure, Stage

__all__ = ["GuardedDetector", "GuardedStage", "foreign", "guarded", "require_extra"]

# Packages that are installed only where somebody asks for what needs them.


def require_extra(who: str, extra: str, *modules: str) -> None:
    """Check that ``modules`` are installed, without importing them.

    Parameters
    ----------
    who
        What needs them, as the error is to begin: "strategy dfo-ls".
    extra
        The extra of this package that brings them.

    Raises
    ------
    MissingExtraError
        Where one is missing; it names the extra and how to install it.
    """
    if any(importlib.util.find_spec(module) is None for module in modules):
        raise MissingExtraError(
            f"{who} needs the extra {extra!r}: pip install 'autoalign[{extra}]'."
        )


_NOT_THEIRS = (AlignError, KeyboardInterrupt, GeneratorExit, MemoryError, StopIteration)
"""What passes unchanged: errors of our tree, and what is no fault of whoever was called."""


class foreign:  # noqa: N801 - used as a keyword is: with foreign("stage 'a'"): ...
    """Turn whatever is raised inside into an error of our tree that names ``who``.

    Parameters
    ----------
    who
        The plug-in, as the error is to begin: "stage 'source' (driver 'rs274')".
    timeout, system
        What a :class:`TimeoutError` and any other :class:`OSError` become: for hardware, the
        hardware error that it is. All else becomes a :class:`.PluginError`.

    Raises
    ------
    AlignError
        As it was raised, where it is one already; else as above.
    """

    def __init__(
        self,
        who: str,
        timeout: type[AlignError] = PluginError,
        system: type[AlignError] = PluginError,
    ) -> None:
        self.who, self.timeout, self.system = who, timeout, system

    def __enter__(self) -> None:
        pass

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        traceback: TracebackType | None,
    ) -> None:
        if error is None or isinstance(error, _NOT_THEIRS):
            return
        family: type[AlignError] = PluginError
        if isinstance(error, TimeoutError):
            family = self.timeout
        elif isinstance(error, OSError):
            family = self.system
        raise family(f"{self.who} failed: {_said(error)}") from error


def guarded(function: Callable[..., Any], who: str) -> Callable[..., Any]:
    """Return ``function`` with the same signature, called inside :class:`foreign`."""

    @functools.wraps(function)
    def call(*arguments: Any, **named: Any) -> Any:
        with foreign(who):
            return function(*arguments, **named)

    return call


class GuardedStage:
    """A stage whose every failure is an error of our tree with its name and its driver's.

    What it has beyond the protocol is reached through it as well, unguarded.
    """

    def __init__(self, stage: Stage, driver: str) -> None:
        self._stage = stage
        with foreign(f"driver {driver!r} of a stage"):
            who = f"stage {stage.name!r} (driver {driver!r})"
        self._guard = foreign(who, LinkTimeoutError, LinkError)

    @property
    def name(self) -> str:
        """Name of the controller on this bench."""
        with self._guard:
            return self._stage.name

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        with self._guard:
            return self._stage.axes

    def identity(self) -> str:
        """Return what the controller says it is."""
        with self._guard:
            return self._stage.identity()

    def start_move(self, axis: str, target: float) -> None:
        """Set ``axis`` going to ``target``, mm or rad."""
        with self._guard:
            self._stage.start_move(axis, target)

    def status(self, axis: str) -> AxisStatus:
        """Return a fresh status of ``axis``."""
        with self._guard:
            return self._stage.status(axis)

    def stop(self) -> None:
        """Stop all axes now."""
        with self._guard:
            self._stage.stop()

    def close(self) -> None:
        """Stop what moves and let go of the hardware."""
        with self._guard:
            self._stage.close()

    def __getattr__(self, name: str) -> Any:
        if name == "_stage":
            raise AttributeError(name)
        return getattr(self._stage, name)


class GuardedDetector:
    """A detector whose every failure is an error of our tree with its name and its driver's.

    What it has beyond the protocol is reached through it as well, unguarded.
    """

    def __init__(self, detector: Detector, driver: str) -> None:
        self._detector = detector
        with foreign(f"driver {driver!r} of a detector"):
            who = f"detector {detector.name!r} (driver {driver!r})"
        self._guard = foreign(who, DetectorError, LinkError)

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        with self._guard:
            return self._detector.name

    @property
    def plane(self) -> str:
        """Name of the plane that it looks at."""
        with self._guard:
            return self._detector.plane

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Exposure]:
        """Return ``count`` exposures, each begun at or after ``not_before``, s."""
        with self._guard:
            return self._detector.acquire(count, not_before, deadline)

    def close(self) -> None:
        """Let go of the hardware."""
        with self._guard:
            self._detector.close()

    def __getattr__(self, name: str) -> Any:
        if name == "_detector":
            raise AttributeError(name)
        return getattr(self._detector, name)


def _said(error: BaseException) -> str:
    """Return kind and words of ``error``; a foreign exception may fail even at that."""
    try:
        return f"{type(error).__name__}: {error}"
    except Exception:  # noqa: BLE001 - the words are a stranger's code, too
        return type(error).__name__
