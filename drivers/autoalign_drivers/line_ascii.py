"""A motion controller spoken to in lines of ASCII; the settings say what the lines are."""

from __future__ import annotations

import contextlib
import functools
from collections.abc import Iterator, Mapping, Sequence
from typing import Any, ClassVar

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import (
    AmbiguousMoveError,
    LinkError,
    MotionFaultError,
    MotionTimeoutError,
    UsageError,
    WrongDeviceError,
    unknown_name,
)
from autoalign.core.interfaces import AxisStatus
from autoalign_drivers.channels import Channel, channels_of, read_counts
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.done import Arrival, Verdict
from autoalign_drivers.line_settings import AxesSettings, LineAsciiSettings
from autoalign_drivers.phrases import Phrase, RefusedError
from autoalign_drivers.readout import Readout, Said
from autoalign_drivers.talking import Conversation
from autoalign_drivers.transport import PreemptedError, Transport

__all__ = ["DRIVER", "LineAsciiDriver", "LineAsciiStage"]

_POLL = 0.02


class LineAsciiStage:
    """A :class:`~autoalign.core.interfaces.Stage` behind a serial port.

    What the controller says of a resting axis is read twice, with another question between, and
    must agree. After an alarm that came unasked no axis moves until :meth:`acknowledge`; after a
    restart of the controller none moves until the bench is opened again. A line that broke is
    opened again at the next question, if the same device answers and nothing has moved.
    """

    speech: ClassVar[type[Dialogue]] = Dialogue
    """How it is spoken to."""

    def __init__(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> None:
        self._name = name
        self._axes = {axis.name: axis for axis in axes}
        self._who = f"stage {name}"
        self._settings = settings
        self._clock = clock
        self._channels = channels_of(
            self._who,
            self._axes,
            settings.axes,
            whole=settings.whole,
            counts=settings.counts,
            bits=settings.bits,
        )
        phrase = self.speech.phrase
        self._moves = {a.name: [phrase(q) for q in settings.move_of(a)] for a in axes}
        self._preparation = [phrase(query) for query in settings.preparation()]
        self._once = [phrase(query) for query in settings.prepare]
        self._stop = phrase(settings.stop)
        self._home = None if settings.home is None else phrase(settings.home)
        self._arrivals: dict[str, Arrival] = {}
        self._homing: dict[str, float] = {}
        self._rested: dict[str, float] = {}
        self._seen_homed: set[str] = set()
        self._cut_off: dict[str, str] = {}
        self._closed = False
        self._open()

    def _open(self, known: str = "") -> None:
        """Open the port, make sure who is there, ``known`` from before, and prepare it."""
        transport = Transport(self._settings, self._who)
        dialogue = self.speech(transport, self._settings)
        try:
            identity = dialogue.hello()
            if known and identity != known:
                raise WrongDeviceError(
                    f"{self._who}: before the line broke it was {known!r}, now it says "
                    f"{identity!r}. Nothing else was sent to it."
                )
            for phrase in self._once:
                for number in self._numbers(phrase):
                    dialogue.order(phrase, axis=number)
        except BaseException:
            transport.close()
            raise
        self._transport, self._dialogue = transport, dialogue
        self._readout = Readout(dialogue, self._settings)

    def _numbers(self, phrase: Phrase) -> list[str]:
        """Return the channels for each of which ``phrase`` is sent; one without where it is not."""
        if "axis" in phrase.template.names:
            return [c.number for c in self._channels.values()]
        return [""]

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self._name!r}, port={self._settings.port!r})"

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
        self._reopen()
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
        self._reopen()
        self._refuse_if_latched(axis)
        places = channel.values(target)
        self._homing.pop(axis, None)
        self._rested.pop(axis, None)
        with self._transport.turn():
            self._prepare(channel, target)
            self._transport.farewell = self._last_words()
            found = self._order(channel, target, places)
        for group in ("counts", "value"):
            if group in found and not self._understood(found[group], places[group], group):
                self.stop()
                said = f"it was sent {places[group]} and understood {found[group]}"
                raise self._ambiguous(channel, target, f"{said}; all axes were stopped.")
        self._arrivals[axis] = self._expect(channel, target)

    def home(self, axis: str) -> None:
        """Send ``axis`` to its reference; :meth:`status` says when it is there and homed.

        Only a person asks for this: the way to the reference leaves the limits out of account.

        Raises
        ------
        UsageError
            Where the bench file has no ``home``.
        """
        channel = self._channel(axis)
        if self._home is None:
            raise UsageError(
                f"{self._who}, axis {axis}: the bench file does not say how it is homed; add "
                "'home' to the stage."
            )
        self._reopen()
        self._cut_off.pop(axis, None)
        self._rested.pop(axis, None)
        self._arrivals.pop(axis, None)
        travel_time = 0.0 if channel.axis.speed is None else 6 * channel.axis.travel
        fair = travel_time / (channel.axis.speed or 1.0)
        self._homing[axis] = self._clock.now() + fair + 10 * self._settings.move_margin
        with self._transport.turn():
            self._transport.farewell = self._last_words()
            try:
                self._dialogue.order(self._home, axis=channel.number)
            except RefusedError as error:
                del self._homing[axis]
                self._calm()
                raise MotionFaultError(f"{error} Axis {axis} was not sent home.") from error
        self._seen_homed.discard(axis)

    def status(self, axis: str) -> AxisStatus:
        """Return a fresh status of ``axis``.

        ``moving`` stays true until the move is done: at the target and idle for the settling time.
        ``fault`` says where a move fell short, is late, or an alarm or restart stands.
        """
        channel = self._channel(axis)
        self._reopen()
        said = self._readout.read(channel)
        verdict: Verdict = "arrived" if said.idle else "under way"
        fault = self._trouble(axis, said)
        arrival, until = self._arrivals.get(axis), self._homing.get(axis)
        if arrival is not None:
            verdict = arrival.judge(self._clock.now(), said.position, said.idle)
            fault = fault or self._shortcoming(channel, arrival, verdict, said.position)
        elif until is not None:
            verdict, fault = self._homed(axis, said, until, fault)
        moving = verdict in ("under way", "late")
        if not moving:
            self._rested[axis] = said.position
            self._calm()
        fault = self._latched(axis) or self._cut_off.get(axis, "") or fault
        return AxisStatus(said.position, moving, said.homed, fault)

    def _homed(self, axis: str, said: Said, until: float, fault: str) -> tuple[Verdict, str]:
        """Return how the way to the reference goes: done is at rest and homed."""
        if said.idle and said.homed:
            del self._homing[axis]
            return "arrived", fault
        if self._clock.now() <= until and not fault:
            return "under way", ""
        del self._homing[axis]
        late = f"{self._who}, axis {axis}: it did not find its reference in time."
        return "short" if said.idle else "late", fault or late

    def _calm(self) -> None:
        """Forget the STOP that is sent if the line breaks, once nothing is under way."""
        if not self._homing and not self._arrivals.keys() - self._rested.keys():
            self._transport.farewell = b""

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
        numbers = self._numbers(self._stop)
        failures = []
        if len(numbers) > 1:
            # All of them at once, before the answer to any is waited for.
            with contextlib.suppress(LinkError):
                self._dialogue.cry([self._dialogue.filled(self._stop, axis=n) for n in numbers])
        for number in numbers:
            try:
                self._dialogue.shout(self._stop, axis=number)
            except LinkError as error:
                failures.append(error)
        if failures:
            raise LinkError(
                f"{failures[0]} STOP could not be confirmed: axes of {self._who} may still be "
                "moving. Use the controller's own stop or cut its power."
            ) from failures[0]
        self._arrivals.clear()
        self._homing.clear()
        self._transport.farewell = b""

    def acknowledge(self) -> tuple[str, ...]:
        """Take note, as a person, of the alarms that stand; return them and let axes move."""
        alarms, self._dialogue.alarms = tuple(self._dialogue.alarms), []
        self._cut_off.clear()
        return alarms

    def close(self) -> None:
        """Stop what may be moving and let go of the port. May be called twice."""
        if self._closed:
            return
        self._closed = True
        try:
            if (self._arrivals or self._homing) and not self._transport.broken:
                self.stop()
        finally:
            self._transport.close()

    def _reopen(self) -> None:
        """Open the port again once it is back after the line has broken.

        Only where the same device answers and every axis that was at rest is where it was. An axis
        whose motion the break cut off reports that until it is acknowledged or homed.
        """
        if not self._transport.unplugged or self._closed:
            return
        before, rested = self._dialogue, dict(self._rested)
        cut = (set(self._arrivals) | set(self._homing)) - rested.keys()
        self._open(before.identity)
        self._dialogue.alarms, self._dialogue.restarted = before.alarms, before.restarted
        self._arrivals.clear()
        self._homing.clear()
        for name in cut:
            self._cut_off[name] = (
                f"{self._who}, axis {name}: the line broke while it moved. Check where it is, then "
                "acknowledge this or home the axis."
            )
        for name, left in rested.items():
            self._check_unmoved(self._channels[name], left)

    def _check_unmoved(self, channel: Channel, left: float) -> None:
        axis = channel.axis
        now = self._readout.read(channel).position
        if abs(now - left) > axis.arrival_tolerance + axis.resolution + 2 * channel.grain:
            self._cut_off[axis.name] = (
                f"{self._who}, axis {axis.name}: before the line broke it was at "
                f"{axis.said(left)}, now it reads {axis.said(now)}. Check where it is, then "
                "acknowledge this or home the axis."
            )

    def _last_words(self) -> bytes:
        """Return the STOP that is sent if the line has to be given up while something moves."""
        lines = [self._dialogue.filled(self._stop, axis=n) for n in self._numbers(self._stop)]
        return self._dialogue.stop_bytes(lines)

    def _understood(self, heard: str, sent: str, group: str) -> bool:
        """Whether the target that the controller repeats is the one that it was sent."""
        if group == "value":
            return float(heard) == float(sent)
        counts = self._settings.counts
        try:
            return read_counts(heard, counts) == read_counts(sent, counts)
        except ValueError:
            return False

    def _prepare(self, channel: Channel, target: float) -> None:
        """Send what has to come before every move; nothing moves, so it may be sent again."""
        with self._refusal_named(channel, target):
            for phrase in self._preparation:
                self._dialogue.ask(phrase, dict)
        self._refuse_if_latched(channel.axis.name)

    def _order(self, channel: Channel, target: float, places: dict[str, str]) -> Mapping[str, str]:
        """Send the move, once, and return the groups of the last answer."""
        found: Mapping[str, str] = {}
        try:
            with self._refusal_named(channel, target):
                for phrase in self._moves[channel.axis.name]:
                    found = self._dialogue.order(phrase, **places)
            return found
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
            self._calm()
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
        latched = self._latched(axis) or self._cut_off.get(axis, "")
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

    settings: type[AxesSettings] = LineAsciiSettings
    stage: type[LineAsciiStage] = LineAsciiStage

    def build(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> LineAsciiStage:
        """Open the port, make sure of the controller's identity, and return the stage."""
        if not isinstance(settings, self.settings):
            raise UsageError(f"stage {name}: settings must be {self.settings.__name__}.")
        return self.stage(name, axes, settings, clock)

    def talk(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> Conversation:
        """Open the port for a conversation by hand; nothing is sent before it is asked for."""
        return _talk(name, axes, settings, self.stage.speech)


def _talk(name: str, axes: Sequence[Axis], settings: Any, speech: type[Dialogue]) -> Conversation:
    """Open the port of a stage for a conversation by hand."""
    by_name = {axis.name: axis for axis in axes}
    channels = channels_of(
        f"stage {name}",
        by_name,
        settings.axes,
        whole=settings.whole,
        counts=settings.counts,
        bits=settings.bits,
    )
    transport = Transport(settings, f"stage {name}")
    dialogue = speech(transport, settings)
    readout = Readout(dialogue, settings)
    stop = dialogue.phrase(settings.stop)

    def question(channel: Channel) -> str:
        said = readout.read(channel)
        words = [channel.axis.said(said.position), "at rest" if said.idle else "in motion"]
        words += [] if said.homed else ["not homed"]
        return ", ".join([*words, *([f"in trouble: {said.trouble}"] if said.trouble else [])])

    def stop_all() -> None:
        joint = "axis" not in stop.template.names
        for number in [""] if joint else [c.number for c in channels.values()]:
            dialogue.shout(stop, axis=number)

    questions = [(n, functools.partial(question, c)) for n, c in channels.items()]
    return Conversation(transport, dialogue, questions, stop_all)


DRIVER = LineAsciiDriver()
"""Entry point ``line-ascii`` of the group ``autoalign.stages``."""
