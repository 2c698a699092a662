"""Stages and detectors made of functions that a control script already has."""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from typing import Any

import numpy as np

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, RealClock
from autoalign.core.errors import (
    AlignError,
    DetectorError,
    MotionFaultError,
    UsageError,
    unknown_name,
)
from autoalign.core.frames import Frame, View
from autoalign.core.interfaces import AxisStatus, Exposure, Reading
from autoalign.core.units import from_edge, kind_of, to_edge

__all__ = ["AxisFunctions", "FunctionDetector", "FunctionStage"]

_PAUSE = 0.01
"""Wait before a function that gave an old exposure is called again, s."""

_RATHER = 0.02
"""Part of the stated exposure time by which clocks may differ."""


@dataclass(frozen=True, slots=True)
class AxisFunctions:
    """What moves one axis.

    Parameters
    ----------
    axis
        Name, limits and so on, in mm or rad.
    put
        Sends the axis to a position. It may block until the axis is there, or return at once; where
        it returns an object with ``done`` (a flag or a function), that says when it is there, and
        its ``exception`` (a function) or ``success`` (a flag), where it has one, that it failed.
    get
        Reads the position.
    unit
        The unit that ``put`` and ``get`` speak, for instance "um" or "mrad"; the axis' own where
        not given.
    moving
        Whether the axis moves; not needed where ``put`` blocks or returns something with ``done``.
        Without it an axis counts as moving until two readings in a row agree within its tolerance,
        and the motion of an axis that somebody else has set going is not seen.
    stop
        Stops the axis; None where nothing can.
    """

    axis: Axis
    put: Callable[[float], Any]
    get: Callable[[], float]
    unit: str = ""
    moving: Callable[[], bool] | None = None
    stop: Callable[[], Any] | None = None

    def __post_init__(self) -> None:
        if self.unit and kind_of(self.unit) != self.axis.unit:
            raise UsageError(
                f"functions of axis {self.axis.name}: their unit is {self.unit!r}, which is no "
                f"unit for an axis in {self.axis.unit}."
            )


class FunctionStage:
    """A stage whose axes are moved by functions; see :class:`autoalign.core.interfaces.Stage`.

    ``put`` runs in a thread of its own, so that a function that blocks neither holds up the other
    axes nor the way to stop.
    """

    def __init__(self, name: str, knobs: Sequence[AxisFunctions]) -> None:
        self.name = name
        self._knobs = {k.axis.name: k for k in knobs}
        if not knobs or len(self._knobs) < len(knobs):
            raise UsageError(
                f"stage {name}: give functions for at least one axis, and each axis once."
            )
        self._moves: dict[str, _Move] = {}
        # By axis that has yet to be seen at rest: its last reading.
        self._restless: dict[str, float | None] = {}

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        return {n: k.axis for n, k in self._knobs.items()}

    def identity(self) -> str:
        """Return what this stage is made of."""
        return f"functions for {', '.join(self._knobs)}"

    def start_move(self, axis: str, target: float) -> None:
        """Set ``axis`` going to ``target`` (mm or rad)."""
        knob = self._knob(axis)
        knob.axis.check(target)
        last = self._moves.get(axis)
        if last is not None and last.running:
            raise MotionFaultError(
                f"axis {axis}: the last move has not ended; wait for it or stop it first."
            )
        self._be_restless(axis)
        self._moves[axis] = _Move(knob, to_edge(target, knob.unit or knob.axis.unit))

    def status(self, axis: str) -> AxisStatus:
        """Return position (mm or rad), motion and fault of ``axis``."""
        knob, move = self._knob(axis), self._moves.get(axis)
        try:
            position = float(knob.get())
            moving = bool(knob.moving()) if knob.moving is not None else False
        except AlignError:
            raise
        except Exception as error:
            raise MotionFaultError(
                f"axis {axis}: its own function failed while it was read: "
                f"{type(error).__name__}: {error}"
            ) from error
        position = from_edge(position, knob.unit or knob.axis.unit)
        under_way = move is not None and move.running
        moving = under_way or moving or self._still_restless(knob.axis, position)
        return AxisStatus(position, moving, True, move.failure if move is not None else "")

    def stop(self) -> None:
        """Stop every axis that can be stopped; say afterwards which could not."""
        failed = []
        for name, knob in self._knobs.items():
            if knob.stop is None:
                continue
            try:
                knob.stop()
            except Exception as error:  # noqa: BLE001 - the other axes must be stopped as well
                failed.append(f"{name}: {type(error).__name__}: {error}")
        for name, move in list(self._moves.items()):
            move.stopped = True
            self._be_restless(name)
            if not move.running and self._moves.get(name) is move:
                del self._moves[name]
        if failed:
            raise MotionFaultError(f"stage {self.name}: could not stop {'; '.join(failed)}")

    def close(self) -> None:
        """Stop what moves. The functions belong to whoever gave them."""
        if self._restless or any(m.running for m in self._moves.values()):
            self.stop()

    def _be_restless(self, axis: str) -> None:
        """Let what was read so far of an axis that cannot say whether it moves count no more."""
        if self._knobs[axis].moving is None:
            self._restless[axis] = None

    def _still_restless(self, axis: Axis, position: float) -> bool:
        """Whether ``axis`` has yet to give two readings in a row that agree after its move."""
        if axis.name not in self._restless:
            return False
        move, before = self._moves.get(axis.name), self._restless[axis.name]
        if move is not None and move.running:
            return True
        if before is not None and abs(position - before) <= axis.arrival_tolerance:
            self._restless.pop(axis.name, None)
            return False
        self._restless[axis.name] = position
        return True

    def _knob(self, axis: str) -> AxisFunctions:
        if axis not in self._knobs:
            raise unknown_name("axis", axis, self._knobs, f"stage {self.name}")
        return self._knobs[axis]


class _Move:
    """One call of ``put`` under way."""

    def __init__(self, knob: AxisFunctions, target: float) -> None:
        self.fault, self.stopped = "", False
        self._knob, self._target = knob, target
        self._answer: Any = None
        self._thread = threading.Thread(target=self._carry_out, daemon=True)
        self._thread.start()

    @property
    def running(self) -> bool:
        """Whether the function has not returned, or what it returned is not done.

        Where that is unknown it counts as running, with a fault.
        """
        if self._thread.is_alive():
            return True
        try:
            done = getattr(self._answer, "done", True)
            return not (done() if callable(done) else done)
        except Exception as error:  # noqa: BLE001 - shown in the status of the axis
            self.fault = f"its state cannot be read: {type(error).__name__}: {error}"
            return True

    @property
    def failure(self) -> str:
        """What went wrong, as far as it shows; a move that was stopped here has not failed."""
        if self.fault or self.stopped or self.running:
            return self.fault
        try:
            return _failure_of(self._answer)
        except Exception as error:  # noqa: BLE001 - shown in the status of the axis
            return f"how it ended cannot be read: {type(error).__name__}: {error}"

    def _carry_out(self) -> None:
        try:
            self._answer = self._knob.put(self._target)
        except Exception as error:  # noqa: BLE001 - shown in the status of the axis
            self.fault = f"its own function failed: {type(error).__name__}: {error}"


def _failure_of(answer: Any) -> str:
    """Return why the move that ``answer`` stands for failed, or ""; it is done."""
    if getattr(answer, "done", None) is None:
        return ""
    ask = getattr(answer, "exception", None)
    error = ask() if callable(ask) else None
    if error is not None:
        return f"its move failed: {type(error).__name__}: {error}".rstrip(": ")
    if getattr(answer, "success", True) is False:
        return "its move failed, and does not say why"
    return ""


class FunctionDetector:
    """A detector made of a function that takes one picture, or reads numbers, when called.

    Parameters
    ----------
    grab
        Returns a new exposure begun after the call (one that says by its ``started`` that it began
        before is believed): an array (rows, columns), a
        :class:`~autoalign.Frame`, a :class:`~autoalign.core.interfaces.Reading`, or a mapping of
        numbers.
    pitch
        Size of a pixel at the plane, mm; needed for arrays.
    origin, view, bit_depth
        As of :class:`~autoalign.Frame`, for arrays.
    queue
        How many exposures the function's own software may keep waiting; as many are taken and
        dropped before each measurement.
    exposure
        Exposure time, s, where it is known. A call that returns sooner gave an exposure that was
        waiting, begun before the call, and is repeated.
    clock
        The bench's clock.

    An exposure that is older than asked for is never handed over: the function is called again,
    until the deadline. What neither says when it began, nor waited in a queue that is known of, is
    taken to have begun with the call.
    """

    def __init__(
        self,
        name: str,
        plane: str,
        grab: Callable[[], Any],
        *,
        pitch: float | tuple[float, float] | None = None,
        origin: tuple[float, float] | None = None,
        view: View = ((1.0, 0.0), (0.0, -1.0)),
        bit_depth: int | None = None,
        queue: int = 0,
        exposure: float = 0.0,
        clock: Clock | None = None,
    ) -> None:
        if queue < 0 or not exposure >= 0:
            raise UsageError(f"detector {name}: queue and exposure must be 0 or larger.")
        self.name, self.plane = name, plane
        self._queue, self._exposure = queue, exposure
        self._grab, self._clock = grab, clock or RealClock()
        self._pitch, self._origin = pitch, origin
        self._view, self._bit_depth = view, bit_depth

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Exposure]:
        """Return ``count`` exposures, each begun at or after ``not_before`` (s)."""
        self._clock.sleep(max(0.0, not_before - self._clock.now()))
        for _ in range(self._queue):
            self._one()
        return [self._fresh(not_before, deadline) for _ in range(count)]

    def close(self) -> None:
        """Do nothing: the function belongs to whoever gave it."""

    def _fresh(self, not_before: float, deadline: float) -> Exposure:
        """Return the next exposure that began at or after ``not_before``."""
        passed = 0
        while True:
            called = self._clock.now()
            if called > deadline:
                raise DetectorError(
                    f"detector {self.name}: the deadline passed before a picture came"
                    + (f"; {passed} were older than asked for." if passed else ".")
                )
            exposure = self._one()
            waited = self._clock.now() - called < self._exposure * (1 - _RATHER)
            if not waited and (exposure.started or 0.0) >= not_before:
                return exposure
            passed += 1
            self._clock.sleep(_PAUSE)

    def _one(self) -> Exposure:
        started = self._clock.now()
        try:
            taken = self._grab()
        except AlignError:
            raise
        except Exception as error:
            raise DetectorError(
                f"detector {self.name}: its own function failed: {type(error).__name__}: {error}"
            ) from error
        return self._stamped(taken, started)

    def _stamped(self, taken: Any, started: float) -> Exposure:
        stamps: dict[str, Any] = {"plane": self.plane, "started": started}
        if isinstance(taken, Frame | Reading):
            # An exposure that was taken before the call stays as old as it is.
            stamps["started"] = started if taken.started is None else min(taken.started, started)
            return replace(taken, **stamps, ended=self._clock.now())
        if isinstance(taken, Mapping):
            values = {str(k): float(v) for k, v in taken.items()}
            return Reading(values, **stamps, ended=self._clock.now())
        if self._pitch is None:
            raise UsageError(
                f"detector {self.name}: its function gives pixels; say how large one is at the "
                "plane (pitch, mm)."
            )
        pixels = np.asarray(taken)
        rows, columns = pixels.shape if pixels.ndim == 2 else (1, 1)
        origin = self._origin or ((columns - 1) / 2, (rows - 1) / 2)
        return Frame(
            pixels, self._pitch, origin, ended=self._clock.now(), bit_depth=self._bit_depth,
            view=self._view, **stamps,
        )  # fmt: skip
