"""A motion controller spoken to in lines of ASCII; the settings say what the lines are."""

from __future__ import annotations

import contextlib
from collections.abc import Iterator, Mapping, Sequence
from typing import Any

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import (
    AmbiguousMoveError,
    LinkError,
    MotionFaultError,
    MotionTimeoutError,
    UsageError,
    unknown_name,
)
from autoalign.core.interfaces import AxisStatus
from autoalign_drivers.channels import Channel, channels_of
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.done import Arrival, Verdict
from autoalign_drivers.line_settings import LineAsciiSettings, MotionSettings
from autoalign_drivers.phrases import Phrase, RefusedError
from autoalign_drivers.readout import Readout, Said
from autoalign_drivers.transport import PreemptedError, Transport

__all__ = ["DRIVER", "LineAsciiDriver", "LineAsciiStage"]

_POLL = 0.02


class LineAsciiStage:
    """A :class:`~autoalign.core.interfaces.Stage` behind a serial port.

    What the controller says of a resting axis is read twice, with another question between, and
    must agree. After an alarm that came unasked no axis moves until :meth:`acknowledge`; after a
    restart of the controller none moves until the bench is opened again.
    """

    def __init__(
        self, name: str, axes: Sequence[Axis], settings: MotionSettings, clock: Clock
    ) -> None:
        self._name = name
        self._axes = {axis.name: axis for axis in axes}
        self._who = f"stage {name}"
        self._settings = settings
        self._clock = clock
        self._channels = channels_of(self._who, self._axes, settings.axes, whole=settings.whole)
        self._moves = {a.name: Phrase.of(settings.move_of(a)) for a in axes}
        self._preparation = [Phrase.of(query) for query in settings.preparation()]
        self._stop = Phrase.of(settings.stop)
        self._arrivals: dict[str, Arrival] = {}
        self._seen_homed: set[str] = set()
        self._closed = False
        self._transport = Transport(settings, self._who)
        self._dialogue = Dialogue(self._transport, settings)
        self._readout = Readout(self._dialogue, settings)
        try:
            self._dialogue.hello()
        except BaseException:
            self._transport.close()
            raise

    def __repr__(self) -> str:
        return f"LineAsciiStage({self._name!r}, port={self._settings.port!r})"

    @property
    def name(self) -> str:
        """Name of the controller on this bench."""
        return self._name

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        return self._axes

    @property
    def strays(self) -> int:
        """Lines that fitted nothing so far: the wear of the link."""
        return self._dialogue.strays

    def identity(self) -> str:
        """Return what the controller says it is."""
        with self._transport.turn():
            self._dialogue.resync()
        return self._dialogue.identity

    def start_move(self, axis: str, target: float) -> None:
        """Set ``axis`` going to ``target`` (mm or rad); return once accepted.

        The order is sent once. Where it is not known whether it was carried out, the line is
        brought into step, the position is read, and :class:`AmbiguousMoveError` tells both.
        """
        channel = self._channel(axis)
        channel.axis.check(target)
        self._refuse_if_latched(axis)
        places = channel.values(target)
        with self._transport.turn():
            self._prepare(channel, target)
            found = self._order(channel, target, places)
        for group in ("counts", "value"):
            if group in found and float(found[group]) != float(places[group]):
                self.stop()
                said = f"it was sent {places[group]} and understood {found[group]}"
                raise self._ambiguous(channel, target, f"{said}; all axes were stopped.")
        self._arrivals[axis] = self._expect(channel, target)

    def status(self, axis: str) -> AxisStatus:
        """Return a fresh status of ``axis``.

        ``moving`` stays true until the move is done: at the target and idle for the settling time.
        ``fault`` says where a move fell short, is late, or an alarm or restart stands.
        """
        channel = self._channel(axis)
        said = self._readout.read(channel)
        verdict: Verdict = "arrived" if said.idle else "under way"
        fault = self._trouble(axis, said)
        arrival = self._arrivals.get(axis)
        if arrival is not None:
            verdict = arrival.judge(self._clock.now(), said.position, said.idle)
            fault = fault or self._shortcoming(channel, arrival, verdict, said.position)
        moving = verdict in ("under way", "late")
        return AxisStatus(said.position, moving, said.homed, self._latched(axis) or fault)

    def wait(self, axis: str) -> AxisStatus:
        """Wait until the last move of ``axis`` is done and return the status there.

        Raises
        ------
        MotionTimeoutError
            Where it is not at its target and idle before the deadline; all axes were stopped.
        MotionFaultError
            Where it fell short, or an alarm came.
        """
        while True:
            status = self.status(axis)
            if status.fault:
                if status.moving:
                    self.stop()
                    raise MotionTimeoutError(f"{status.fault} All axes were stopped.")
                raise MotionFaultError(status.fault)
            if not status.moving:
                return status
            self._clock.sleep(_POLL)

    def stop(self) -> None:
        """Stop all axes now, from any thread, also while another waits for an answer."""
        try:
            self._dialogue.shout(self._stop)
        except LinkError as error:
            raise LinkError(
                f"{error} STOP could not be confirmed: axes of {self._who} may still be moving. "
                "Use the controller's own stop or cut its power."
            ) from error
        self._arrivals.clear()

    def acknowledge(self) -> tuple[str, ...]:
        """Take note, as a person, of the alarms that stand; return them and let axes move."""
        alarms, self._dialogue.alarms = tuple(self._dialogue.alarms), []
        return alarms

    def close(self) -> None:
        """Stop what may be moving and let go of the port. May be called twice."""
        if self._closed:
            return
        self._closed = True
        try:
            if self._arrivals and not self._transport.broken:
                self.stop()
        finally:
            self._transport.close()

    def _prepare(self, channel: Channel, target: float) -> None:
        """Send what has to come before every move; nothing moves, so it may be sent again."""
        with self._refusal_named(channel, target):
            for phrase in self._preparation:
                self._dialogue.ask(phrase, dict)
        self._refuse_if_latched(channel.axis.name)

    def _order(self, channel: Channel, target: float, places: dict[str, str]) -> Mapping[str, str]:
        """Send the move, once, and return the groups of the answer."""
        try:
            with self._refusal_named(channel, target):
                return self._dialogue.order(self._moves[channel.axis.name], **places)
        except PreemptedError:
            raise
        except LinkError as error:
            raise self._ambiguous(channel, target, str(error)) from error

    @contextlib.contextmanager
    def _refusal_named(self, channel: Channel, target: float) -> Iterator[None]:
        """Turn a refusal into an error that says which move did not take place."""
        try:
            yield
        except RefusedError as error:
            axis = channel.axis
            raise MotionFaultError(
                f"{error} Axis {axis.name} was not moved to {axis.said(target)}. Check the "
                "controller's state (homed? limit switch? alarm?)."
            ) from error

    def _channel(self, axis: str) -> Channel:
        if axis not in self._channels:
            raise unknown_name("axis", axis, self._channels, self._who)
        return self._channels[axis]

    def _trouble(self, axis: str, said: Said) -> str:
        """Return what the controller itself says is wrong, or ""."""
        if said.trouble:
            return f"{self._who}, axis {axis}: the controller says {said.trouble!r}."
        if said.homed:
            self._seen_homed.add(axis)
        elif axis in self._seen_homed:
            return (
                f"{self._who}, axis {axis}: it has lost its zero; its position is not to be "
                "trusted. Home it, then open the bench again."
            )
        return ""

    def _latched(self, axis: str) -> str:
        """Return why no axis may move, or ""."""
        if self._dialogue.restarted:
            return (
                f"{self._who}, axis {axis}: the controller has started anew; its positions are "
                "not to be trusted. Home the axes, then open the bench again."
            )
        if self._dialogue.alarms:
            return (
                f"{self._who}, axis {axis}: alarm {'; '.join(self._dialogue.alarms)!r}. Find the "
                "cause, then acknowledge the alarm."
            )
        return ""

    def _refuse_if_latched(self, axis: str) -> None:
        latched = self._latched(axis)
        if latched:
            raise MotionFaultError(f"{latched} Nothing was moved.")

    def _expect(self, channel: Channel, target: float) -> Arrival:
        axis, now = channel.axis, self._clock.now()
        fair = 0.0 if axis.speed is None else 3 * axis.travel / axis.speed
        return Arrival(
            target=target,
            tolerance=max(axis.arrival_tolerance, channel.grain * (1 + 1e-9)),
            ordered=now,
            deadline=now + fair + self._settings.move_margin,
            settle=self._settings.settle,
            grace=self._settings.grace,
        )

    def _ambiguous(self, channel: Channel, target: float, why: str) -> AmbiguousMoveError:
        """Read where the axis is, if that is still known, and say so."""
        axis = channel.axis
        self._arrivals[axis.name] = self._expect(channel, target)
        try:
            with self._transport.turn():
                self._dialogue.resync()
                said = self._readout.read(channel)
            doing = "rests" if said.idle else "moves"
            where = f"It now reads {axis.said(said.position)} and {doing}."
        except LinkError as error:
            where = f"Its position cannot be read either ({error})."
        return AmbiguousMoveError(
            f"{self._who}, axis {axis.name}: asked to go to {axis.said(target)}; whether that "
            f"took place is not known: {why} The order is not repeated. {where} Verify the "
            "position before anything else."
        )

    def _shortcoming(
        self, channel: Channel, arrival: Arrival, verdict: Verdict, position: float
    ) -> str:
        said = channel.axis.said
        if verdict == "short":
            how = "came to rest short of its target"
        elif verdict == "late":
            how = "was not at rest before the deadline"
        else:
            return ""
        return (
            f"{self._who}, axis {channel.axis.name}: {how}: asked for {said(arrival.target)}, "
            f"reads {said(position)}, allowed are {said(arrival.tolerance)} either way. "
            "Check for a limit switch, a stall, or someone else's stop."
        )


class LineAsciiDriver:
    """A controller with a command set of ASCII lines, from a bench file's table."""

    settings: type[MotionSettings] = LineAsciiSettings

    def build(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> LineAsciiStage:
        """Open the port, make sure of the controller's identity, and return the stage."""
        if not isinstance(settings, self.settings):
            raise UsageError(f"stage {name}: settings must be {self.settings.__name__}.")
        return LineAsciiStage(name, axes, settings, clock)


DRIVER = LineAsciiDriver()
"""Entry point ``line-ascii`` of the group ``autoalign.stages``."""
