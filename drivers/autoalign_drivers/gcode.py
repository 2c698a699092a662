"""A motion controller that takes RS-274 lines, with status by a single byte.

It is the line-ASCII driver with another table. "ok" means that a line was understood, not that
anything has arrived: arrival is read from the status. Moves are jogs, because a stop discards a
jog; a stopped program would go on at the next resume.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from pydantic import Field, model_validator

from autoalign_drivers.line_ascii import LineAsciiDriver
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_drivers.port_settings import Pattern, Query

__all__ = ["DRIVER", "GcodeDriver", "GcodeSettings"]

_NUMBER = r"-?[0-9]{1,6}\.[0-9]{1,6}"


def _status(letters: str) -> dict[str, Any]:
    """Return the query for the status: state and position first, the rest in any order."""
    positions = ",".join(f"(?P<{letter}>{_NUMBER})" for letter in letters)
    pattern = rf"<(?P<state>[A-Za-z]+)(?::[0-9]+)?\|MPos:{positions}(?:\|[^<>]*)?>"
    return {"send": "?", "reply": pattern, "bare": True}


class GcodeSettings(LineAsciiSettings):
    """A motion controller that takes RS-274 lines; mm or deg, absolute, machine coordinates.

    ``channel`` of an axis is its letter, ``per_count`` 1 in mm or deg (−1 to turn its sign round).
    """

    command_end: str = Field(default="\n", min_length=1, description="End of a command line.")
    reply_end: str = Field(default="\r\n", min_length=1, description="End of an answer line.")
    feed: float = Field(
        default=600.0, gt=0, allow_inf_nan=False, description="Speed of a move, mm/min or deg/min."
    )
    identity: Query = Field(
        default=Query(send="$I", reply=r"\[VER:(?P<identity>[^\]]*)\]", closing="ok"),
        description="Asks who is there. Narrow the pattern down to the one controller.",
    )
    letters: str = Field(
        default="XYZ",
        pattern="^[XYZABCUVW]{1,9}$",
        description="Letters of all axes of the machine, in the order of its status.",
    )
    presence: Query | None = Field(
        default=None, description="A sign of life while axes move; the status if left out."
    )
    move: Query = Field(description="Starts an absolute move; a jog at 'feed' if left out.")
    position: Query = Field(description="Asks where the axes are; the status if left out.")
    state: Query = Field(description="Asks what the axes do; the status if left out.")
    stop: Query = Field(
        default=Query(send="!", bare=True), description="Stops all axes and discards the jog."
    )
    resting: list[str] = Field(
        default=["Idle", "Alarm"], min_length=1, description="Words for 'state': at rest."
    )
    moving: list[str] = Field(
        default=["Jog", "Run", "Home", "Hold"],
        min_length=1,
        description="Words for 'state': in motion, or not free to move.",
    )
    faulty: list[str] = Field(default=["Alarm"], description="Words for 'state': in trouble.")
    errors: list[Pattern] = Field(
        default=["error:[0-9]+"], description="Answers by which a line is refused."
    )
    alarms: list[str] = Field(default=["ALARM:"], description="Beginnings of alarm lines.")
    banners: list[str] = Field(
        min_length=1, description="Beginning of the welcome line, which marks every restart."
    )

    @model_validator(mode="before")
    @classmethod
    def _from_feed_and_letters(cls, keys: Any) -> Any:
        """Make the queries that are not given."""
        if not isinstance(keys, Mapping):
            return keys
        letters = str(keys.get("letters", cls.model_fields["letters"].default))
        if len(set(letters)) < len(letters) or not letters.isalpha():
            raise ValueError(f"letters {letters!r}: each axis has a letter of its own")
        feed = keys.get("feed", cls.model_fields["feed"].default)
        jog = {"send": f"$J=G90 G21 {{axis}}{{value}} F{feed}", "reply": "ok"}
        status = _status(letters)
        return {"move": jog, "presence": status, "position": status, "state": status, **keys}


class GcodeDriver(LineAsciiDriver):
    """Builds the line-ASCII stage with this table."""

    settings = GcodeSettings


DRIVER = GcodeDriver()
"""Entry point ``gcode`` of the group ``autoalign.stages``."""
