"""What a journal says of the bench and the software, so that a run can be understood later."""

from __future__ import annotations

import dataclasses
import platform
from importlib import metadata
from typing import Any

import numpy as np

from autoalign.bench import Bench
from autoalign.core.errors import AlignError
from autoalign.journal.codec import plain

__all__ = ["describe_bench", "versions"]


def describe_bench(bench: Bench) -> dict[str, Any]:
    """Return all that is known of the bench before a run, and whether it is simulated.

    Each stage has its "identity", which is None where it could not be read, and "error" then says
    why.
    """
    data = {
        "name": bench.name,
        "simulated": bench.truth is not None,
        "axes": [dataclasses.asdict(a) for a in bench.axes.values()],
        "stages": {n: _identity(s) for n, s in bench.stages.items()},
        "detectors": {n: d.plane for n, d in bench.detectors.items()},
        "locked": bench.locked,
        "settle": bench.settle,
        "frames": bench.frames,
        "uncertainties": dict(bench.uncertainties),
        "spec": _tree(bench.spec),
        "layout": _tree(bench.layout),
    }
    result: dict[str, Any] = plain(data)
    return result


def versions() -> dict[str, str]:
    """Return what was running: autoalign, numpy, Python, platform."""
    try:
        own = metadata.version("autoalign")
    except metadata.PackageNotFoundError:
        own = "unknown"
    return {
        "autoalign": own,
        "numpy": np.__version__,
        "python": platform.python_version(),
        "platform": platform.platform(),
    }


def _identity(stage: Any) -> dict[str, str | None]:
    try:
        return {"identity": str(stage.identity()), "error": None}
    except AlignError as error:
        return {"identity": None, "error": str(error)}


def _tree(value: Any) -> Any:
    """Return nested dataclasses as dictionaries that name their class under "class"."""
    if dataclasses.is_dataclass(value) and not isinstance(value, type):
        fields = {f.name: _tree(getattr(value, f.name)) for f in dataclasses.fields(value)}
        return {"class": type(value).__name__, **fields}
    if isinstance(value, (tuple, list)):
        return [_tree(v) for v in value]
    return value if isinstance(value, (str, int, float, bool, type(None))) else repr(value)
