"""A motion controller that speaks in bytes; the settings say what its frames are."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import Any, Self

from pydantic import Field, model_validator

from autoalign.core.axes import Axis
from autoalign.core.errors import LinkTimeoutError, ReplyError
from autoalign_drivers.binary_frames import BinaryPhrase, BinaryQuery, FieldSettings, Frame
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.line_ascii import LineAsciiDriver, LineAsciiStage
from autoalign_drivers.line_settings import AxesSettings
from autoalign_drivers.phrases import Phrase, RefusedError

__all__ = ["DRIVER", "BinaryDialogue", "BinaryDriver", "BinarySettings", "BinaryStage"]

_MOST = 4096


class BinarySettings(AxesSettings):
    """A motion controller that speaks in frames of bytes.

    Commands and answers are lists of fields: fixed bytes, numbers by name (axis, counts, value,
    state, address) with type and byte order, the length of what follows, a checksum. An answer has
    one length; one whose bytes, length or checksum do not fit is asked for again. ``channel`` of an
    axis is its number.
    """

    identity: BinaryQuery = Field(
        description="Asks who is there; the answer must fit, or nothing else is sent."
    )
    prepare: list[BinaryQuery] = Field(
        default_factory=list,
        description="Sent once after the identity was found right; nothing may move by it.",
    )
    position: BinaryQuery = Field(description="Asks where an axis is: counts or value.")
    state: BinaryQuery = Field(description="Asks what an axis does: a number called state.")
    move: BinaryQuery | list[BinaryQuery] = Field(
        description="Starts an absolute move; must end by itself. The last one of a list starts it."
    )
    stop: BinaryQuery = Field(
        description="Stops all axes; where the field axis is in it, it is sent for every axis."
    )
    home: BinaryQuery | None = Field(
        default=None, description="Sends an axis to its reference; must end by itself."
    )
    refusals: list[list[FieldSettings]] = Field(
        default_factory=list, description="Answers by which the controller refuses a command."
    )

    @model_validator(mode="after")
    def _frames_fit(self) -> Self:
        several = len(self.axes) > 1
        for name in ("position", "state"):
            query: BinaryQuery = getattr(self, name)
            given = Frame(query.reply or ()).names
            needed = {"position": {"counts", "value"}, "state": {"state"}}[name]
            if not needed & given:
                raise ValueError(f"{name}.reply needs a field called {' or '.join(sorted(needed))}")
            if several and "axis" not in Frame(query.send).names:
                raise ValueError(f"{name}.send needs a field called axis: which one is it about?")
        moved = frozenset().union(*(Frame(q.send).names for q in self._commands))
        if not {"counts", "value"} & moved or (several and "axis" not in moved):
            raise ValueError("move.send needs fields called axis, and counts or value")
        if self.identity.reply is None:
            raise ValueError("identity.reply is missing: what does the controller answer?")
        for query in (self.identity, self.stop, *self.prepare, *([self.home] if self.home else [])):
            if {"counts", "value", "state"} & Frame(query.send).names:
                raise ValueError("only a move can be sent counts or a value")
        if self.bits is None and any(e.bits is None for e in self.axes.values()):
            raise ValueError("say what the bits of 'state' mean: bits = { moving = 0x01 }")
        for axis, entry in self.axes.items():
            if not entry.channel.isdecimal():
                raise ValueError(f"axis {axis}: its channel {entry.channel!r} must be a number")
        if self.address and not self.address.isdecimal():
            raise ValueError(f"address {self.address!r} must be a number")
        return self

    @property
    def _commands(self) -> tuple[BinaryQuery, ...]:
        return tuple(self.move) if isinstance(self.move, list) else (self.move,)

    @property
    def whole(self) -> bool:
        """Whether targets are whole counts."""
        return any("counts" in Frame(q.send).names for q in self._commands)

    def move_of(self, axis: Axis) -> tuple[BinaryQuery, ...]:
        """Return what starts a move."""
        return self._commands

    def preparation(self) -> tuple[BinaryQuery, ...]:
        """Return nothing: nothing is sent before every move."""
        return ()


class BinaryDialogue(Dialogue):
    """Question and answer in frames; bytes travel as text of the same numbers (Latin-1)."""

    @staticmethod
    def phrase(query: Any) -> Phrase:
        """Compile a query of the settings."""
        return BinaryPhrase.of_query(query)

    def _learn_words(self) -> None:
        self._refusals = [Frame(fields) for fields in self.settings.refusals]

    def stop_bytes(self, lines: Sequence[str]) -> bytes:
        """Return the frames one after the other."""
        return "".join(lines).encode("latin-1")

    def _fill(self, phrase: Phrase, values: Mapping[str, str]) -> tuple[str, str]:
        assert isinstance(phrase, BinaryPhrase)
        try:
            data = phrase.command.pack({**values, "address": self.settings.address})
        except ValueError as error:
            raise ReplyError(f"{self.where}: this cannot be sent: {error}.") from None
        return data.decode("latin-1"), ""

    def _shown(self, line: str) -> str:
        return line.encode("latin-1").hex(" ")

    def _clear(self) -> None:
        self.strays += bool(self.transport.drain(self.settings.quiet))

    def _sweep(self) -> None:
        self.strays += bool(self.transport.discard())

    def _more(self) -> bool:
        return bool(self.transport.discard())

    def _hush(self) -> None:
        self.transport.drain(self.settings.quiet)

    def _send(self, line: str, phrase: Phrase, deadline: float) -> None:
        self.transport.write(line.encode("latin-1"))

    def _acknowledged(self, phrase: Phrase, tag: str) -> bool:
        deadline = self.transport.clock.now() + self.settings.reply_timeout
        try:
            self._answer(phrase, "", tag, deadline, patient=True)
        except (LinkTimeoutError, ReplyError):
            if self.transport.broken:
                raise
            return False
        return True

    def _answer(
        self, phrase: Phrase, asked: str, tag: str, deadline: float, patient: bool
    ) -> Mapping[str, str]:
        """Return the numbers of the frame that answers, its bytes as ``line``.

        ``patient``: bytes before it may be the rest of something late, and are passed over.
        """
        assert isinstance(phrase, BinaryPhrase)
        assert phrase.reply is not None
        candidates = sorted((phrase.reply, *self._refusals), key=lambda frame: frame.size)
        data, heard = b"", b""
        for _ in range(_MOST):
            for frame in candidates:
                try:
                    data += self.transport.read_exactly(frame.size - len(data), deadline)
                except LinkTimeoutError:
                    if not heard or self.transport.broken:
                        raise
                    raise self._misfitting(asked, heard) from None
                found = frame.read(data)
                if found is not None and frame is phrase.reply:
                    return {**found, "line": data.hex(" ")}
                if found is not None and not patient:
                    raise RefusedError(
                        f"{self.where}: asked {self._shown(asked)}, refused with {data.hex(' ')}."
                    )
            heard = heard or data
            if not patient:
                break
            self.transport.unread(data[1:])
            data = b""
        raise self._misfitting(asked, heard)

    def _misfitting(self, asked: str, heard: bytes) -> ReplyError:
        return ReplyError(
            f"{self.where}: asked {self._shown(asked)}, got {heard.hex(' ')}, which is no such "
            "answer. If the controller is the right one, correct the fields of its reply in the "
            "bench file."
        )


class BinaryStage(LineAsciiStage):
    """A :class:`~autoalign.core.interfaces.Stage` whose controller speaks in bytes."""

    speech = BinaryDialogue


class BinaryDriver(LineAsciiDriver):
    """A controller with a command set of bytes, from a bench file's table."""

    settings = BinarySettings
    stage = BinaryStage


DRIVER = BinaryDriver()
"""Entry point ``binary`` of the group ``autoalign.stages``."""
