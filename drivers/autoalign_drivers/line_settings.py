"""What a bench file says about a motion controller that is spoken to in lines of ASCII."""

from __future__ import annotations

import re
from abc import abstractmethod
from collections.abc import Iterable
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from autoalign.core.axes import Axis
from autoalign_drivers.grammar import Grammar
from autoalign_drivers.phrases import PLACES
from autoalign_drivers.port_settings import LineSettings, Pattern, Query, SpeechSettings
from autoalign_drivers.templates import Template
from autoalign_drivers.unit_texts import Seconds, Settings

__all__ = [
    "AxesSettings",
    "Bits",
    "ChannelSettings",
    "Counts",
    "LineAsciiSettings",
    "MotionSettings",
    "own_group",
]

_HEXADECIMAL = frozenset("abcdfABCDFxX")
"""Letters of hexadecimal numbers that no decimal one has."""

_EVERYWHERE = frozenset({"tag", "address"})
_OF_ONE_AXIS = _EVERYWHERE | {"axis"}


class Bits(Settings):
    """A state that is a number whose bits say what an axis does; masks such as 0x04.

    In an axis' own table it is of that axis: so one number can tell of several axes.
    """

    radix: Literal[10, 16] = Field(default=10, description="How the number is written.")
    moving: int = Field(default=0, ge=0, description="In motion if one of these bits is set.")
    resting: int = Field(default=0, ge=0, description="At rest only if all of these are set.")
    faulty: int = Field(default=0, ge=0, description="In trouble if one of these is set.")
    homed: int = Field(default=0, ge=0, description="Zero known only if all of these are set.")

    @model_validator(mode="after")
    def _tells_motion(self) -> Self:
        if not self.moving and not self.resting:
            raise ValueError("give the bits that mean moving, or those that mean resting")
        return self


class Counts(Settings):
    """How whole numbers (counts) are written, in commands and answers."""

    radix: Literal[10, 16] = Field(
        default=10, description="Base of the digits: 10, or 16 for hexadecimal."
    )
    digits: int = Field(
        default=1, ge=1, le=16, description="Least number of digits in a command; zeros fill up."
    )
    plus: bool = Field(default=False, description="Whether a command has + before what is not < 0.")
    width: Literal[8, 16, 24, 32, 64] | None = Field(
        default=None,
        description="Bits of two's complement, in which negative numbers are written; if left "
        "out, they have a minus sign.",
    )


class ChannelSettings(Settings):
    """One axis of the controller. Position = number × ``per_count`` + ``offset``."""

    channel: str = Field(min_length=1, description="What stands in the place {axis}.")
    unit: Literal["m", "mm", "um", "nm", "rad", "mrad", "urad", "deg"] = Field(
        description="Unit of per_count and offset."
    )
    per_count: float = Field(
        description="Size of one count, or of 1 where the controller speaks decimal numbers; "
        "negative where it counts the other way.",
        allow_inf_nan=False,
    )
    offset: float = Field(
        default=0.0, description="Position at the controller's zero.", allow_inf_nan=False
    )
    decimals: int = Field(default=6, ge=0, le=9, description="Decimal places of {value}.")
    bits: Bits | None = Field(
        default=None, description="Bits of this axis in the state, if they are its own."
    )

    @field_validator("channel")
    @classmethod
    def _channel_is_text(cls, channel: str) -> str:
        if not (channel.isascii() and channel.isprintable()):
            raise ValueError(f"channel {channel!r} holds characters that are not printable ASCII")
        return channel

    @model_validator(mode="after")
    def _per_count_is_not_zero(self) -> Self:
        if self.per_count == 0:
            raise ValueError("per_count must not be 0; give the size of one count")
        return self


class AxesSettings(SpeechSettings):
    """What is said of the axes of a controller, whatever it speaks."""

    bits: Bits | None = Field(
        default=None, description="If 'state' is no word but a number: what its bits mean."
    )
    counts: Counts = Field(default=Counts(), description="How {counts} are written.")
    settle: Seconds = Field(
        default=0.05, ge=0, le=60, description="Rest at the target before it counts as arrived."
    )
    grace: Seconds = Field(
        default=0.2,
        ge=0,
        le=10,
        description="How long an axis may say 'at rest' before a move begins to show.",
    )
    move_margin: Seconds = Field(
        default=5.0, gt=0, le=3600, description="What a move may take beyond its fair time."
    )
    axes: dict[str, ChannelSettings] = Field(min_length=1, description="Axes by name.")

    @field_validator("axes")
    @classmethod
    def _each_its_own_channel(cls, axes: dict[str, ChannelSettings]) -> dict[str, ChannelSettings]:
        names: dict[str, str] = {}
        for name, entry in axes.items():
            if names.setdefault(entry.channel, name) != name:
                raise ValueError(
                    f"axes {names[entry.channel]} and {name} have the same channel "
                    f"{entry.channel!r}; give each its own"
                )
        return axes


class MotionSettings(AxesSettings, LineSettings):
    """How a motion controller reports position and state, and how it is stopped.

    Commands are templates with the places {axis}, {address} and {tag} (a number that the answer
    repeats). Answers, and the words for states, errors and alarms, are regular expressions that
    match as a whole. Of an answer the named groups ``axis``, ``counts`` (a whole number) or
    ``value`` (a decimal one), ``state``, ``homed``, ``address`` and ``tag`` are read. If one answer
    tells of several axes, a group may have the name of a channel, or ``axis`` and the channel:
    ``axis1``. An axis, address, tag or target that an answer repeats is checked.
    """

    prepare: list[Query] = Field(
        default_factory=list,
        description="Sent once after the identity was found right, for instance to switch motors "
        "on or to choose absolute positions; for every axis where {axis} is in it. Nothing may "
        "move by it.",
    )
    position: Query = Field(description="Asks where an axis is.")
    state: Query = Field(description="Asks what an axis does.")
    stop: Query = Field(
        description="Stops all axes; where {axis} is in it, it is sent for every axis."
    )
    home: Query | None = Field(
        default=None,
        description="Sends an axis to its reference; must end by itself. Only sent when a person "
        "asks for it.",
    )
    resting: list[Pattern] = Field(default_factory=list, description="Words for 'state': at rest.")
    moving: list[Pattern] = Field(default_factory=list, description="Words for 'state': in motion.")
    faulty: list[Pattern] = Field(
        default_factory=list, description="Words for 'state': in trouble."
    )
    homed: list[Pattern] = Field(default_factory=list, description="Words for 'homed': zero known.")
    unhomed: list[Pattern] = Field(
        default_factory=list, description="Words for 'homed': zero not known."
    )

    @model_validator(mode="after")
    def _queries_fit(self) -> Self:
        for name in ("identity", "presence"):
            if (query := getattr(self, name)) is not None:
                _check_places(name, query, _EVERYWHERE)
        for name, query in (
            *((f"prepare {k + 1}", q) for k, q in enumerate(self.prepare)),
            ("position", self.position),
            ("state", self.state),
            ("stop", self.stop),
            *([("home", self.home)] if self.home is not None else []),
        ):
            _check_places(name, query, _OF_ONE_AXIS)
        _check_identity(self.identity)
        self._check_readings()
        return self

    @model_validator(mode="after")
    def _states_fit(self) -> Self:
        if self.bits is not None or all(e.bits is not None for e in self.axes.values()):
            return self
        if not self.resting or not self.moving:
            raise ValueError(
                "give the words for 'state' that mean resting and those that mean moving; or, "
                "where it is a number, the bits"
            )
        clash = set(self.resting) & set(self.moving)
        if clash:
            raise ValueError(f"state word {min(clash)!r} cannot mean both resting and moving")
        return self

    def _check_readings(self) -> None:
        channels = [c.channel for c in self.axes.values()]
        for name, query, needed in (
            ("position", self.position, ("counts", "value")),
            ("state", self.state, ("state",)),
        ):
            groups = _answered(name, query)
            if any(group in groups for group in needed):
                one = name == "position" and len(channels) > 1
                if one and "axis" not in Template(query.send, PLACES).names:
                    raise ValueError(
                        f"{name}.send has no place {{axis}}, and its reply no group for each axis: "
                        "which axis is it about?"
                    )
            elif name == "state" and self.bits is None and all(e.bits for e in self.axes.values()):
                raise ValueError("state.reply needs a group (?P<state>…)")
            elif not all(own_group(c, groups) for c in channels):
                words = " or ".join(f"(?P<{n}>…)" for n in needed)
                raise ValueError(f"{name}.reply needs a group {words}")
        self._check_radix()

    def _check_radix(self) -> None:
        """Refuse a pattern that takes hexadecimal digits where numbers are read as decimal."""
        if self.counts.radix != 10:
            return
        pattern = self.position.reply or ""
        grammar = Grammar(pattern)
        for group in sorted(grammar.groups - {"axis", "address", "tag", "state", "homed"}):
            prefixed = re.search(rf"0\[?[xX]+\]?\(\?P<{group}>", pattern)
            if prefixed or grammar.letters(group) & _HEXADECIMAL:
                raise ValueError(
                    f"position.reply: its group {group!r} can match hexadecimal digits, and is "
                    "read as a decimal number; narrow it down to decimal digits, or set "
                    "counts = { radix = 16 }"
                )

    @property
    @abstractmethod
    def whole(self) -> bool:
        """Whether targets are whole counts."""

    @abstractmethod
    def move_of(self, axis: Axis) -> tuple[Query, ...]:
        """Return the commands of an absolute move, with {axis} and {counts} or {value}.

        The last one starts it.
        """

    def preparation(self) -> tuple[Query, ...]:
        """Return what is sent before every move; it must change nothing that is seen outside."""
        return ()


class LineAsciiSettings(MotionSettings):
    """A motion controller whose whole command set is the bench file's.

    A move has the place {counts} (a whole number) or {value} (a decimal one). Only absolute moves
    are used.
    """

    move: Query | list[Query] = Field(
        description="Starts an absolute move; must end by itself. Where it takes several commands, "
        "a list of them, of which the last one starts it."
    )

    @model_validator(mode="after")
    def _move_fits(self) -> Self:
        queries = self._commands
        names = set().union(*(Template(q.send, PLACES).names for q in queries))
        for query in queries:
            _check_places("move", query, PLACES)
        if not {"counts", "value"} & names:
            raise ValueError("move.send needs the place {counts} or {value}")
        if len(self.axes) > 1 and "axis" not in names:
            raise ValueError("move.send needs the place {axis}: which axis is it about?")
        return self

    @property
    def _commands(self) -> tuple[Query, ...]:
        return tuple(self.move) if isinstance(self.move, list) else (self.move,)

    @property
    def whole(self) -> bool:
        """Whether targets are whole counts."""
        return any("counts" in Template(q.send, PLACES).names for q in self._commands)

    def move_of(self, axis: Axis) -> tuple[Query, ...]:
        """Return what starts a move."""
        return self._commands


def own_group(channel: str, groups: Iterable[str]) -> str:
    """Return the group that tells of ``channel`` where one answer tells of several; "" if none."""
    return next((g for g in (channel, f"axis{channel}") if g in groups), "")


def _check_identity(query: Query) -> None:
    groups = Grammar(query.reply or "").groups
    if query.reply is None:
        raise ValueError("identity.reply is missing: what does the controller answer?")
    if "tag" in Template(query.send, PLACES).names and "identity" not in groups:
        raise ValueError("identity has a {tag}; its reply needs a group (?P<identity>…) without it")


def _check_places(name: str, query: Query, allowed: frozenset[str]) -> None:
    """Refuse a command with a place that nobody fills, or an answer to what was not asked."""
    try:
        names = Template(query.send, allowed).names
    except ValueError as error:
        raise ValueError(f"{name}.send: {error}") from None
    groups = Grammar(query.reply or "").groups
    if "tag" in groups - names:
        raise ValueError(f"{name}.reply has a group 'tag', and {name}.send no place {{tag}}")


def _answered(name: str, query: Query) -> frozenset[str]:
    if query.reply is None:
        raise ValueError(f"{name}.reply is missing: what does the controller answer?")
    return Grammar(query.reply).groups
