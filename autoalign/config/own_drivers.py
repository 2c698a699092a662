"""Drivers that a bench file names by where they are: "module:name", or "file.py:name"."""

from __future__ import annotations

import hashlib
import importlib
import importlib.util
import inspect
import sys
from collections.abc import Callable, Sequence
from pathlib import Path
from typing import Any

from pydantic import BaseModel, ConfigDict

from autoalign.adapters import AxisFunctions, FunctionStage
from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import PluginError, UsageError
from autoalign.core.foreign import foreign
from autoalign.core.interfaces import Detector, Stage

__all__ = ["own_driver"]

_HOW = {
    "stages": "called with the name of the stage and its axes, which returns a stage or a list of "
    "AxisFunctions",
    "detectors": "called with the name of the detector and its plane, which returns a detector",
}


class _Anything(BaseModel):
    """Settings of a function: its keyword arguments, as the file gives them."""

    model_config = ConfigDict(extra="allow", frozen=True)


class _FunctionDriver:
    """A driver made of a function or class; further keys of the table are keyword arguments."""

    settings = _Anything

    def __init__(self, function: Callable[..., Any], written: str, group: str) -> None:
        self._function, self._written, self._group = function, written, group
        self._signature = inspect.signature(function)

    def problem(self, keys: Sequence[str]) -> str:
        """Return why the function cannot be called with ``keys``, or ""."""
        named = dict.fromkeys(keys)
        if "clock" in self._signature.parameters:
            named["clock"] = None
        try:
            self._signature.bind("name", (), **named)
        except TypeError as error:
            return f"{self._written} cannot be called with these keys: {error}"
        return ""

    def build(self, name: str, where: Any, settings: Any, clock: Clock) -> Any:
        """Call the function and return the stage or detector that it makes."""
        named = dict(settings.model_extra or {})
        if "clock" in self._signature.parameters:
            named["clock"] = clock
        made = self._function(name, where, **named)
        if self._group == "stages":
            return _as_stage(name, where, made, self._written)
        if not isinstance(made, Detector):
            raise PluginError(
                f"detector {name}: {self._written} returned {type(made).__name__}, no detector."
            )
        return made


def _as_stage(name: str, axes: Sequence[Axis], made: Any, written: str) -> Stage:
    if isinstance(made, AxisFunctions):
        made = [made]
    if isinstance(made, list | tuple) and all(isinstance(m, AxisFunctions) for m in made):
        made = FunctionStage(name, made)
    if not isinstance(made, Stage):
        raise PluginError(f"stage {name}: {written} returned {type(made).__name__}, no stage.")
    if set(made.axes) != {a.name for a in axes}:
        raise PluginError(
            f"stage {name}: {written} made the axes {', '.join(made.axes) or 'none'}; the bench "
            f"file has {', '.join(a.name for a in axes)}."
        )
    return made


def own_driver(group: str, written: str, folder: Path) -> Any:
    """Load the driver ``written`` as "module:name" or "file.py:name".

    A driver has ``settings`` and ``build``. Any other function or class becomes one: it is called
    with the keys of the table by name.

    Parameters
    ----------
    group
        "stages" or "detectors".
    folder
        Where files are looked for: the folder of the bench file.

    Raises
    ------
    UsageError
        Where there is no such file, module or name, or it is nothing that can be called.
    PluginError
        Where loading it fails.
    """
    place, _, name = written.rpartition(":")
    module = _from_file(folder / place, written) if place.endswith(".py") else _module(place)
    found = getattr(module, name, None)
    if found is None:
        raise UsageError(f"driver {written!r}: there is no {name!r} in {place}.")
    if hasattr(found, "settings") and hasattr(found, "build"):
        with foreign(f"driver {written!r}"):
            return found() if isinstance(found, type) else found
    if not callable(found):
        raise UsageError(
            f"driver {written!r} is no driver; give one with 'settings' and 'build', or a function "
            f"that is {_HOW[group]}."
        )
    return _FunctionDriver(found, written, group)


def _module(name: str) -> Any:
    try:
        spec = importlib.util.find_spec(name)
    except (ImportError, ValueError):
        spec = None
    if spec is None:
        raise UsageError(
            f"there is no module {name!r} in this environment. Install it; or, for a file beside "
            'the bench file, write "file.py:name".'
        )
    with foreign(f"module {name!r} of a driver"):
        return importlib.import_module(name)


def _from_file(path: Path, written: str) -> Any:
    if not path.is_file():
        raise UsageError(f"driver {written!r}: there is no file {path}.")
    # One module for each state of a file: a stage and a camera of one script share what it opened.
    state = path.stat()
    mark = f"{path.resolve()}:{state.st_mtime_ns}:{state.st_size}"
    name = f"autoalign_own_{path.stem}_{hashlib.sha256(mark.encode()).hexdigest()[:12]}"
    if name in sys.modules:
        return sys.modules[name]
    spec = importlib.util.spec_from_file_location(name, path)
    if spec is None or spec.loader is None:
        raise UsageError(f"driver {written!r}: {path} is no Python file.")
    module = importlib.util.module_from_spec(spec)
    sys.modules[name] = module
    try:
        with foreign(f"driver {written!r}"):
            spec.loader.exec_module(module)
    except BaseException:
        del sys.modules[name]
        raise
    return module
