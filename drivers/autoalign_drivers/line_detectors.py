"""Meters and cameras that answer in text: numbers, several at once, or a block of pixels."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Annotated, Any, Literal, Self

import numpy as np
from pydantic import Field, model_validator

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError, LinkError, ReplyError, UsageError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Reading
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.grammar import Grammar, strict_decimal
from autoalign_drivers.phrases import Phrase
from autoalign_drivers.pixels import PixelSettings, frame_of
from autoalign_drivers.port_settings import LineSettings, Query
from autoalign_drivers.talking import Conversation
from autoalign_drivers.templates import Template
from autoalign_drivers.transport import Transport
from autoalign_drivers.unit_texts import Settings

__all__ = [
    "BLOCK",
    "NUMBERS",
    "BlockDetector",
    "BlockSettings",
    "NumbersDetector",
    "NumbersSettings",
]

_TYPES = {"u8": "u1", "u16": "u2", "f32": "f4", "f64": "f8"}
_ORDERS = {"big": ">", "little": "<"}


class NumbersSettings(LineSettings):
    """A meter that answers commands with numbers."""

    prepare: list[Query] = Field(
        default_factory=list, description="Sent once after the identity was found right."
    )
    read: Annotated[list[Query], Field(min_length=1)] = Field(
        description="Queries of one measurement. Every named group of a reply, but tag and "
        "address, is a quantity, and a plain decimal number."
    )
    units: dict[str, str] = Field(
        default_factory=dict, description="Unit of each quantity, as the meter gives it."
    )
    uncertainty: dict[str, float] = Field(
        default_factory=dict, description="Relative standard uncertainty of each quantity."
    )

    @property
    def quantities(self) -> list[str]:
        """Names of all quantities."""
        return [g for q in self.read for g in _quantities(q)]

    @model_validator(mode="after")
    def _names_fit(self) -> Self:
        for query in (*self.prepare, *self.read):
            Template(query.send, frozenset({"tag", "address"}))
        names = self.quantities
        for query in self.read:
            if not _quantities(query):
                raise ValueError(f"read: the reply to {query.send!r} has no group for a quantity")
        twice = [n for n in names if names.count(n) > 1]
        if twice:
            raise ValueError(f"read: the quantity {twice[0]!r} is read twice")
        for table in ("units", "uncertainty"):
            unknown = sorted(set(getattr(self, table)) - set(names))
            if unknown:
                known = ", ".join(sorted(names))
                raise ValueError(f"{table}: {unknown[0]!r} is not read; read are {known}")
        return self


def _quantities(query: Query) -> list[str]:
    return sorted(Grammar(query.reply or "").groups - {"tag", "address", "axis", "identity"})


class _Spoken:
    """A detector at the end of a line."""

    def __init__(self, name: str, plane: str, settings: Any, clock: Clock) -> None:
        self._name, self._plane = name, plane
        self._settings, self._clock = settings, clock
        self._transport = Transport(settings, f"detector {name}")
        self._dialogue = Dialogue(self._transport, settings)
        try:
            self._dialogue.hello()
            for query in settings.prepare:
                self._dialogue.order(Phrase.of(query))
        except BaseException:
            self._transport.close()
            raise

    def __repr__(self) -> str:
        return f"{type(self).__name__}({self._name!r}, port={self._settings.port!r})"

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        return self._plane

    def identity(self) -> str:
        """Return what it says that it is."""
        return self._dialogue.identity

    def close(self) -> None:
        """Let go of the port. May be called twice."""
        self._transport.close()

    def _in_time(self, have: int, count: int, deadline: float) -> None:
        if self._clock.now() > deadline:
            raise DetectorError(
                f"{self._transport.where}: {have} of {count} came in time. Allow more time, or ask "
                "for a faster measurement."
            )


class NumbersDetector(_Spoken):
    """A :class:`~autoalign.core.interfaces.Detector` that gives readings."""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return ``count`` readings, each asked for at or after ``not_before``.

        Raises
        ------
        DetectorError
            Where they have not come by ``deadline``, or an answer is no number.
        """
        self._clock.sleep(max(0.0, not_before - self._clock.now()))
        readings: list[Reading] = []
        while len(readings) < count:
            self._in_time(len(readings), count, deadline)
            readings.append(self._one())
        return readings

    def _one(self) -> Reading:
        s, started = self._settings, self._clock.now()
        values: dict[str, float] = {}
        try:
            for query in s.read:
                values |= self._dialogue.ask(Phrase.of(query), self._numbers(query))
        except LinkError as error:
            raise DetectorError(f"{error} No reading of plane {self._plane!r}.") from error
        return Reading(
            values=values,
            uncertainties={k: abs(values[k]) * r for k, r in s.uncertainty.items()},
            units=dict(s.units),
            plane=self._plane,
            started=started,
            ended=self._clock.now(),
        )

    def _numbers(self, query: Query) -> Any:
        def read(found: Mapping[str, str]) -> dict[str, float]:
            try:
                return {name: strict_decimal(found[name]) for name in _quantities(query)}
            except KeyError as error:
                raise ReplyError(f"{self._transport.where}: the answer lacks {error}.") from None
            except ValueError as error:
                raise ReplyError(f"{self._transport.where}: {error}.") from None

        return read


class Block(Settings):
    """A question that is answered with pixels as a definite-length block (IEEE 488.2, 8.7.9)."""

    send: str = Field(description="The command, with {address} where it needs one.")
    columns: int = Field(gt=0, le=20000, description="Pixels in a row of the picture.")
    rows: int = Field(gt=0, le=20000, description="Rows of the picture.")
    type: Literal["u8", "u16", "f32", "f64"] = Field(
        default="u8", description="How a pixel is written: u unsigned, f IEEE 754, and its bits."
    )
    order: Literal["big", "little"] = Field(
        default="big", description="Which byte of a pixel comes first."
    )


class BlockSettings(LineSettings, PixelSettings):
    """A camera that answers a command with a block of pixels."""

    prepare: list[Query] = Field(
        default_factory=list, description="Sent once after the identity was found right."
    )
    picture: Block = Field(description="Asks for a picture that is taken when it is asked for.")

    @model_validator(mode="after")
    def _places_fit(self) -> Self:
        for send in (self.picture.send, *(q.send for q in self.prepare)):
            Template(send, frozenset({"address"}))
        return self


class BlockDetector(_Spoken):
    """A :class:`~autoalign.core.interfaces.Detector` that gives frames."""

    _sequence = 0

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Frame]:
        """Return ``count`` frames, each asked for at or after ``not_before``.

        Raises
        ------
        DetectorError
            Where they have not come by ``deadline``, or a block is not what the file says.
        """
        self._clock.sleep(max(0.0, not_before - self._clock.now()))
        frames: list[Frame] = []
        while len(frames) < count:
            self._in_time(len(frames), count, deadline)
            frames.append(self._one())
        return frames

    def _one(self) -> Frame:
        s, block, started = self._settings, self._settings.picture, self._clock.now()
        kind = np.dtype(_ORDERS[block.order] + _TYPES[block.type])
        size = block.columns * block.rows * kind.itemsize
        phrase = Phrase.of(Query(send=block.send))
        try:
            data = self._dialogue.ask_block(phrase, size)
        except LinkError as error:
            raise DetectorError(f"{error} No picture of plane {self._plane!r}.") from error
        pixels = np.frombuffer(data, kind).reshape(block.rows, block.columns)
        self._sequence += 1
        return frame_of(
            pixels.astype(kind.newbyteorder("=")),
            s,
            started=started,
            ended=self._clock.now(),
            plane=self._plane,
            sequence=self._sequence,
        )


class _Driver:
    """A detector at the end of a line, from a bench file's table."""

    settings: type[LineSettings]
    detector: type[_Spoken]

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> Any:
        """Open the port, make sure who is there, and prepare it."""
        if not isinstance(settings, self.settings):
            raise UsageError(f"detector {name}: settings must be {self.settings.__name__}.")
        return self.detector(name, plane, settings, clock)


class NumbersDriver(_Driver):
    """A meter with a command set of ASCII lines that answers with numbers."""

    settings = NumbersSettings
    detector = NumbersDetector

    def talk(self, name: str, plane: str, settings: Any, clock: Clock) -> Conversation:
        """Open the port for a conversation by hand; nothing is sent before it is asked for."""
        transport = Transport(settings, f"detector {name}")
        dialogue = Dialogue(transport, settings)

        def question(query: Query) -> str:
            names = _quantities(query)
            found = dialogue.ask(
                Phrase.of(query), lambda f: {n: strict_decimal(f[n]) for n in names}
            )
            return ", ".join(f"{n} {v:g} {settings.units.get(n, '')}".strip()
                             for n, v in found.items())  # fmt: skip

        asked = [(", ".join(_quantities(q)), lambda q=q: question(q)) for q in settings.read]
        return Conversation(transport, dialogue, asked, None)


class BlockDriver(_Driver):
    """A camera with a command set of ASCII lines that answers with blocks of pixels."""

    settings = BlockSettings
    detector = BlockDetector


NUMBERS = NumbersDriver()
"""Entry point ``line-ascii`` of the group ``autoalign.detectors``."""
BLOCK = BlockDriver()
"""Entry point ``line-block`` of the group ``autoalign.detectors``."""
