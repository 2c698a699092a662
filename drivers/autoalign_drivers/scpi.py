"""An instrument after IEEE 488.2 and SCPI-99 as a detector of numbers, for instance of power."""

from __future__ import annotations

import functools
import math
from collections.abc import Mapping, Sequence
from typing import Any

from pydantic import Field, model_validator

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError, LinkError, ReplyError, UsageError
from autoalign.core.interfaces import Reading
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.grammar import Grammar, strict_decimal
from autoalign_drivers.phrases import Phrase
from autoalign_drivers.port_settings import LineEnd, LineSettings, Pattern, Query
from autoalign_drivers.talking import Conversation
from autoalign_drivers.transport import Transport
from autoalign_drivers.unit_texts import Seconds

__all__ = ["DRIVER", "ScpiDetector", "ScpiDriver", "ScpiSettings"]

_NUMBER = r"(?P<value>[+-]?[0-9.]+(?:[Ee][+-]?[0-9]+)?)"
_ERROR = Phrase.of(Query(send="SYST:ERR?", reply=r'(?P<number>[+-]?[0-9]+), ?"(?P<text>[^"]*)"'))
_NOT_A_NUMBER = 9.9e37
"""SCPI-99 answers 9.91E37 for "no number" and ±9.9E37 for an infinity; never a measurement."""


class ScpiSettings(LineSettings):
    """An instrument that measures numbers on request."""

    command_end: LineEnd = Field(default="\n", description="End of a message.")
    identity: Query = Field(
        default=Query(send="*IDN?", reply=r"[^,]*,[^,]*,[^,]*,[^,]*"),
        description="Asks who is there: four fields between commas. Narrow the pattern down to "
        "the one instrument.",
    )
    prepare: list[str] = Field(
        default_factory=list, description="Messages sent once at opening, without answer."
    )
    measure: dict[str, str] = Field(
        min_length=1, description="By name of a quantity, the query that measures it."
    )
    number: Pattern = Field(
        default=_NUMBER,
        description="Pattern of a measurement reply, with a group 'value'. The narrower, the more "
        "damage on the line shows.",
    )
    units: dict[str, str] = Field(
        default_factory=dict, description="Unit of each quantity, as the instrument gives it."
    )
    uncertainty: dict[str, float] = Field(
        default_factory=dict, description="Relative standard uncertainty of each quantity."
    )
    checked: bool = Field(
        default=True,
        description="Whether the error queue is cleared at opening (*CLS) and read after every "
        "measurement (SYST:ERR?); false for an instrument that has none.",
    )
    pause: Seconds = Field(default=0.0, ge=0, description="Wait between two measurements.")

    @model_validator(mode="after")
    def _names_fit(self) -> ScpiSettings:
        for table in ("units", "uncertainty"):
            unknown = sorted(set(getattr(self, table)) - set(self.measure))
            if unknown:
                known = ", ".join(sorted(self.measure))
                raise ValueError(f"{table}: {unknown[0]!r} is not measured; measured are {known}")
        if "value" not in Grammar(self.number).groups:
            raise ValueError("number needs a group (?P<value>…)")
        return self


class ScpiDetector:
    """A :class:`~autoalign.core.interfaces.Detector` that gives readings.

    After every measurement the error queue is read, so that a number that comes with a complaint
    is never used.
    """

    def __init__(self, name: str, plane: str, settings: ScpiSettings, clock: Clock) -> None:
        self._name = name
        self._plane = plane
        self._settings = settings
        self._clock = clock
        self._transport = Transport(settings, f"detector {name}")
        self._dialogue = Dialogue(self._transport, settings)
        self._phrases = {
            key: Phrase.of(Query(send=send, reply=settings.number))
            for key, send in settings.measure.items()
        }
        try:
            self._dialogue.hello()
            if settings.checked:
                self._say("*CLS")
            for message in settings.prepare:
                self._say(message)
            self._complain("opening")
        except BaseException:
            self._transport.close()
            raise

    def __repr__(self) -> str:
        return f"ScpiDetector({self._name!r}, port={self._settings.port!r})"

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        return self._plane

    def identity(self) -> str:
        """Return maker, model, serial number and release, between commas."""
        return self._dialogue.identity

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return ``count`` readings, each asked for at or after ``not_before``.

        Raises
        ------
        DetectorError
            Where they have not come by ``deadline``, where the instrument complains, or where it
            says that it has no number.
        """
        wait = not_before - self._clock.now()
        if wait > 0:
            self._clock.sleep(wait)
        readings: list[Reading] = []
        while len(readings) < count:
            if self._clock.now() > deadline:
                raise DetectorError(
                    f"{self._transport.where}: {len(readings)} of {count} readings came in time. "
                    "Allow more time, or ask for a faster measurement."
                )
            readings.append(self._read())
            self._clock.sleep(self._settings.pause)
        return readings

    def close(self) -> None:
        """Let go of the port. May be called twice."""
        self._transport.close()

    def _read(self) -> Reading:
        started = self._clock.now()
        try:
            values = {key: self._measure(key) for key in self._phrases}
            self._complain("measuring")
        except LinkError as error:
            raise DetectorError(f"{error} No reading of plane {self._plane!r}.") from error
        s = self._settings
        return Reading(
            values=values,
            uncertainties={k: abs(values[k]) * r for k, r in s.uncertainty.items()},
            units=dict(s.units),
            plane=self._plane,
            started=started,
            ended=self._clock.now(),
        )

    def _measure(self, key: str) -> float:
        phrase = self._phrases[key]

        def read(found: Mapping[str, str]) -> float:
            try:
                return strict_decimal(found["value"])
            except ValueError as error:
                raise ReplyError(f"{self._transport.where}: {key}: {error}.") from None

        value = self._dialogue.ask(phrase, read)
        if math.fabs(value) >= _NOT_A_NUMBER:
            raise DetectorError(
                f"{self._transport.where}: {key}: the instrument says that it has no number "
                f"({value:g}). Check its range and its sensor."
            )
        return value

    def _say(self, message: str) -> None:
        self._dialogue.order(Phrase.of(Query(send=message)))

    def _complain(self, doing: str) -> None:
        """Read the error queue to its end, where there is one; raise what was in it."""
        if not self._settings.checked:
            return
        complaints = []
        for _ in range(100):
            number, text = self._dialogue.ask(_ERROR, lambda f: (int(f["number"]), f["text"]))
            if number == 0:
                break
            complaints.append(f"{number} {text}")
        if complaints:
            raise DetectorError(
                f"{self._transport.where}: while {doing} the instrument complained: "
                f"{'; '.join(complaints)}. Correct the messages in the bench file."
            )


class ScpiDriver:
    """A detector that answers SCPI queries with numbers."""

    settings = ScpiSettings

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> ScpiDetector:
        """Open the port, make sure of the instrument's identity, and prepare it."""
        if not isinstance(settings, ScpiSettings):
            raise UsageError(f"detector {name}: settings must be ScpiSettings.")
        return ScpiDetector(name, plane, settings, clock)

    def talk(self, name: str, plane: str, settings: Any, clock: Clock) -> Conversation:
        """Open the port for a conversation by hand; nothing is sent before it is asked for."""
        if not isinstance(settings, ScpiSettings):
            raise UsageError(f"detector {name}: settings must be ScpiSettings.")
        transport = Transport(settings, f"detector {name}")
        dialogue = Dialogue(transport, settings)

        def question(send: str, unit: str) -> str:
            phrase = Phrase.of(Query(send=send, reply=settings.number))
            return dialogue.ask(phrase, lambda f: f"{strict_decimal(f['value']):g} {unit}".strip())

        questions = [
            (key, functools.partial(question, send, settings.units.get(key, "")))
            for key, send in settings.measure.items()
        ]
        return Conversation(transport, dialogue, questions, None)


DRIVER = ScpiDriver()
"""Entry point ``scpi`` of the group ``autoalign.detectors``."""
