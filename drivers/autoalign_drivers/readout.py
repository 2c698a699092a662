"""What a controller says of an axis, read so that one disturbed answer does no harm."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

from autoalign.core.errors import ReplyError
from autoalign_drivers.channels import Channel
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.line_settings import MotionSettings
from autoalign_drivers.phrases import Phrase

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

    def __init__(self, dialogue: Dialogue, settings: MotionSettings) -> None:
        self._dialogue = dialogue
        self._settings = settings
        self._position = Phrase.of(settings.position)
        self._state = Phrase.of(settings.state)

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
        s = self._settings
        known = {*s.resting, *s.moving, *s.faulty}

        def read(found: Mapping[str, str]) -> tuple[bool, bool, str]:
            word, homed = found["state"], found.get("homed", "")
            if word not in known or (homed and homed not in {*s.homed, *s.unhomed}):
                raise ReplyError(
                    f"{self._dialogue.where}: axis {channel.axis.name} is {word!r} {homed!r}; "
                    f"known are {', '.join(sorted(known | {*s.homed, *s.unhomed}))}. Add the word "
                    "to the bench file if the controller may say it."
                )
            return word not in s.moving, homed not in s.unhomed, word if word in s.faulty else ""

        return self._dialogue.ask(self._state, read, axis=channel.number)
