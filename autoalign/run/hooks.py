"""Events that observers may follow, named ``autoalign_<verb>_<noun>``.

An observer is any object or module with functions of these names, marked with :data:`hookimpl`,
and offered under the entry-point group ``autoalign.observers`` or registered by hand. It takes
whichever of the arguments it wants, by name. An observer watches: what it returns is ignored, and
what it raises is written down and goes no further.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

import pluggy

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.strategies.base import Measurement

__all__ = ["hookimpl", "hookspec"]

hookspec = pluggy.HookspecMarker("autoalign")
hookimpl = pluggy.HookimplMarker("autoalign")
"""Marks a function as an observer's."""


@hookspec
def autoalign_start_run(bench: Bench, strategy: str, seed: int) -> None:
    """Follow the start of a run, before anything has moved."""


@hookspec
def autoalign_veto_move(bench: Bench, targets: Mapping[str, float], reason: str) -> str | None:
    """Return why the move to ``targets`` (mm or rad by axis) must not be made; nothing to allow it.

    Asked before every move, whatever moves the bench. An observer that fails here vetoes: what was
    meant to watch over a move and cannot is no consent. This protects equipment; it is not a safety
    function.
    """


@hookspec
def autoalign_make_move(bench: Bench, targets: Mapping[str, float], reason: str) -> None:
    """Follow a move that has ended; ``targets`` in mm or rad by axis."""


@hookspec
def autoalign_make_measurement(bench: Bench, measurement: Measurement) -> None:
    """Follow a measurement: what was measured after the axes had come to rest."""


@hookspec
def autoalign_end_run(bench: Bench, result: Any) -> None:
    """Follow the end of a run; ``result`` is the :class:`~autoalign.run.align.AlignmentResult`."""


@hookspec
def autoalign_break_run(bench: Bench, error: BaseException) -> None:
    """Follow a run that an error or Ctrl-C has cut off; every axis was commanded to stop."""
