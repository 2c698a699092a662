"""What a bench file says about a motion controller that is spoken to in lines of ASCII."""

from __future__ import annotations

from abc import abstractmethod
from typing import Literal, Self

from pydantic import Field, field_validator, model_validator

from autoalign.core.axes import Axis
from autoalign_drivers.grammar import Grammar
from autoalign_drivers.phrases import PLACES
from autoalign_drivers.port_settings import LineSettings, Query, Settings
from autoalign_drivers.templates import Template
from autoalign_drivers.unit_texts import Seconds

__all__ = ["ChannelSettings", "LineAsciiSettings", "MotionSettings"]

_NEEDS = {"position": {"counts", "value"}, "state": {"state"}}


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


class MotionSettings(LineSettings):
    """How a motion controller reports position and state, and how it is stopped.

    Commands are templates with the places {axis} and {tag} (a number that the answer repeats).
    Answers are regular expressions whose named groups ``axis``, ``counts`` (a whole number) or
    ``value`` (a decimal one), ``state``, ``homed`` and ``tag`` are read. If one answer tells of
    several axes, a group may have the name of a channel. An axis, tag or target that an answer
    repeats is checked.
    """

    position: Query = Field(description="Asks where an axis is.")
    state: Query = Field(description="Asks what an axis does.")
    stop: Query = Field(description="Stops all axes.")
    resting: list[str] = Field(min_length=1, description="Words for 'state': at rest.")
    moving: list[str] = Field(min_length=1, description="Words for 'state': in motion.")
    faulty: list[str] = Field(default_factory=list, description="Words for 'state': in trouble.")
    homed: list[str] = Field(default_factory=list, description="Words for 'homed': zero known.")
    unhomed: list[str] = Field(
        default_factory=list, description="Words for 'homed': zero not known."
    )
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

    @model_validator(mode="after")
    def _queries_fit(self) -> Self:
        for name in ("identity", "position", "state", "stop"):
            _check_query(name, getattr(self, name), {c.channel for c in self.axes.values()})
        _check_identity(self.identity)
        clash = set(self.resting) & set(self.moving)
        if clash:
            raise ValueError(f"state word {min(clash)!r} cannot mean both resting and moving")
        return self

    @property
    @abstractmethod
    def whole(self) -> bool:
        """Whether targets are whole counts."""

    @abstractmethod
    def move_of(self, axis: Axis) -> Query:
        """Return what starts an absolute move of ``axis``, with {axis} and {counts} or {value}."""

    def preparation(self) -> tuple[Query, ...]:
        """Return what is sent before every move; it must change nothing that is seen outside."""
        return ()


class LineAsciiSettings(MotionSettings):
    """A motion controller whose whole command set is the bench file's.

    A move has the place {counts} (a whole number) or {value} (a decimal one). Only absolute moves
    are used.
    """

    move: Query = Field(description="Starts an absolute move; must end by itself.")

    @model_validator(mode="after")
    def _move_fits(self) -> Self:
        if not {"counts", "value"} & Template(self.move.send, PLACES).names:
            raise ValueError("move.send needs the place {counts} or {value}")
        return self

    @property
    def whole(self) -> bool:
        """Whether targets are whole counts."""
        return "counts" in Template(self.move.send, PLACES).names

    def move_of(self, axis: Axis) -> Query:
        """Return what starts a move."""
        return self.move


def _check_identity(query: Query) -> None:
    groups = Grammar(query.reply or "").groups
    if "tag" in Template(query.send, PLACES).names and "identity" not in groups:
        raise ValueError("identity has a {tag}; its reply needs a group (?P<identity>…) without it")


def _check_query(name: str, query: Query, channels: set[str]) -> None:
    Template(query.send, PLACES)
    if query.reply is None:
        if name in ("identity", "position", "state"):
            raise ValueError(f"{name}.reply is missing: what does the controller answer?")
        return
    needed = _NEEDS.get(name, set())
    groups = Grammar(query.reply).groups
    if name == "position" and channels <= groups:
        return
    if needed and not needed & groups:
        words = " or ".join(f"(?P<{n}>…)" for n in sorted(needed))
        raise ValueError(f"{name}.reply needs a group {words}")
