"""What a controller says of an axis, read so that one disturbed answer does no harm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any

from autoalign.core.errors import ReplyError
from autoalign_drivers.channels import Channel
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.grammar import Grammar, fits, strict_hexadecimal, strict_integer
from autoalign_drivers.line_settings import Bits, own_group

__all__ = ["Readout", "Said"]


@dataclass(frozen=True, slots=True)
class Said:
    """``position`` in mm or rad; ``trouble`` is the controller's word for it, or ""."""

    position: float
    idle: bool
    homed: bool
    trouble: str


class Readout:
    """Asks for position, state, position.

    No two questions in a row are alike, so an answer that is one too late never fits; and the two
    positions of a resting axis must agree within one step, so a digit changed under way shows and
    an encoder that cannot decide between two counts does no harm.
    """

    def __init__(self, dialogue: Dialogue, settings: Any) -> None:
        self._dialogue = dialogue
        self._settings = settings
        self._position = dialogue.phrase(settings.position)
        self._state = dialogue.phrase(settings.state)
        self._words = {
            kind: [Grammar(p) for p in getattr(settings, kind, ())]
            for kind in ("resting", "moving", "faulty", "homed", "unhomed")
        }

    def read(self, channel: Channel) -> Said:
        """Return what is said of ``channel``. Raises :class:`LinkError` of some kind."""
        step = max(channel.axis.resolution, 2 * channel.grain) * (1 + 1e-6)
        with self._dialogue.transport.turn():
            for _ in range(self._settings.retries + 1):
                first = self._where(channel)
                idle, homed, trouble = self._what(channel)
                second = self._where(channel)
                if not idle or abs(first - second) <= step:
                    return Said(second, idle, homed, trouble)
                self._dialogue.resync()
        raise ReplyError(
            f"{self._dialogue.where}: axis {channel.axis.name} says that it rests, but reads "
            f"{channel.axis.said(first)} and then {channel.axis.said(second)}. Check the link for "
            "noise, and whether the axis creeps."
        )

    def _where(self, channel: Channel) -> float:
        def read(found: Mapping[str, str]) -> float:
            return channel.read(found, self._dialogue.where)

        return self._dialogue.ask(self._position, read, axis=channel.number)

    def _what(self, channel: Channel) -> tuple[bool, bool, str]:
        def read(found: Mapping[str, str]) -> tuple[bool, bool, str]:
            text = found.get("state")
            if text is None:
                text = found.get(own_group(channel.number, found), "")
            if channel.bits is not None:
                return self._by_bits(channel, channel.bits, text)
            return self._by_words(channel, text, found.get("homed", ""))

        return self._dialogue.ask(self._state, read, axis=channel.number)

    def _by_words(self, channel: Channel, word: str, homed: str) -> tuple[bool, bool, str]:
        meant = self._words
        known = any(fits(meant[k], word) for k in ("resting", "moving", "faulty"))
        zero = not homed or any(fits(meant[k], homed) for k in ("homed", "unhomed"))
        if not known or not zero:
            words = ", ".join(sorted({g.pattern for several in meant.values() for g in several}))
            raise ReplyError(
                f"{self._dialogue.where}: axis {channel.axis.name} is {word!r} {homed!r}; "
                f"known are {words}. Add the word to the bench file if the controller may say it."
            )
        unhomed = bool(homed) and fits(meant["unhomed"], homed)
        return (
            not fits(meant["moving"], word),
            not unhomed,
            word if fits(meant["faulty"], word) else "",
        )

    def _by_bits(self, channel: Channel, bits: Bits, text: str) -> tuple[bool, bool, str]:
        try:
            number = strict_hexadecimal(text) if bits.radix == 16 else strict_integer(text)
        except ValueError as error:
            raise ReplyError(
                f"{self._dialogue.where}: state of axis {channel.axis.name}: {error}. Correct the "
                "reply pattern of 'state', or the radix of 'bits'."
            ) from None
        idle = not number & bits.moving and number & bits.resting == bits.resting
        return idle, number & bits.homed == bits.homed, text if number & bits.faulty else ""
