"""A simulated instrument after IEEE 488.2 and SCPI-99: common commands, status, error queue."""

from __future__ import annotations

from collections import deque
from collections.abc import Callable
from typing import Any

from autoalign.core.clock import Clock
from autoalign_simulators.controllers.scpi_words import matches
from autoalign_simulators.controllers.talker import LineTalker

__all__ = ["ScpiMeter"]

_OPC, _EXE, _CME, _PON = 1, 16, 32, 128
_QUEUE = 8
_TEXTS = {
    -113: "Undefined header",
    -108: "Parameter not allowed",
    -109: "Missing parameter",
    -222: "Data out of range",
    -224: "Illegal parameter value",
    -350: "Queue overflow",
}


class _Mistake(Exception):  # noqa: N818 - becomes an entry of the error queue
    """A command that is not carried out; its argument is the SCPI error number."""


class ScpiMeter(LineTalker):
    """An instrument that measures one number.

    Parameters
    ----------
    measure
        Gives the number, for instance a power in W.
    header
        The query that asks for it, keywords in full.
    """

    def __init__(
        self,
        clock: Clock,
        measure: Callable[[], float],
        header: str = "MEASure:POWer?",
        serial: str = "0007",
        **line: Any,
    ) -> None:
        super().__init__(clock, **{"command_end": b"\n", "reply_end": b"\n", **line})
        self.measure = measure
        self.identity = f"Made-up Instruments,Meter,{serial},1.0"
        self.errors: deque[int] = deque()
        self.event, self.event_enable, self.service_enable = _PON, 0, 0
        self._queries: dict[str, Callable[[], str]] = {
            "*IDN?": lambda: self.identity,
            "*ESR?": self._read_event,
            "*ESE?": lambda: str(self.event_enable),
            "*SRE?": lambda: str(self.service_enable),
            "*STB?": lambda: str(self.status),
            "*OPC?": lambda: "1",
            "*TST?": lambda: "0",
            "SYSTem:ERRor?": self._next_error,
            "SYSTem:ERRor:NEXT?": self._next_error,
            header: lambda: f"{self.measure():+.6E}",
        }
        self._orders: dict[str, Callable[[], None]] = {
            "*CLS": self._clear,
            "*RST": lambda: None,
            "*WAI": lambda: None,
            "*OPC": lambda: self._happen(_OPC),
        }
        self._masks: dict[str, str] = {"*ESE": "event_enable", "*SRE": "service_enable"}

    @property
    def status(self) -> int:
        """The status byte: 4 error queue not empty, 32 event summary, 64 request for service."""
        byte = (4 if self.errors else 0) | (32 if self.event & self.event_enable else 0)
        return byte | (64 if byte & self.service_enable & ~64 else 0)

    def respond(self, line: str) -> str | None:
        """Carry out the units of a message, between semicolons; answers are joined likewise."""
        answers = []
        for unit in line.split(";"):
            try:
                answer = self._unit(unit.strip())
            except _Mistake as mistake:
                self._report(int(mistake.args[0]))
                break
            if answer is not None:
                answers.append(answer)
        return ";".join(answers) if answers else None

    def too_long(self) -> None:
        """Report a message beyond the buffer."""
        self._report(-113)

    def _unit(self, unit: str) -> str | None:
        if not unit:
            return None
        header, *rest = unit.split(maxsplit=1)
        for known, query in self._queries.items():
            if matches(known, header):
                if rest:
                    raise _Mistake(-108)
                return query()
        for known, order in self._orders.items():
            if matches(known, header):
                order()
                return None
        for known, mask in self._masks.items():
            if matches(known, header):
                self._set_mask(mask, rest)
                return None
        raise _Mistake(-113)

    def _set_mask(self, mask: str, rest: list[str]) -> None:
        if not rest:
            raise _Mistake(-109)
        if not (rest[0].isascii() and rest[0].isdecimal()):
            raise _Mistake(-224)
        if int(rest[0]) > 255:
            raise _Mistake(-222)
        setattr(self, mask, int(rest[0]))

    def _read_event(self) -> str:
        event, self.event = self.event, 0
        return str(event)

    def _next_error(self) -> str:
        number = self.errors.popleft() if self.errors else 0
        return f'{number},"{_TEXTS.get(number, "No error")}"'

    def _clear(self) -> None:
        self.errors.clear()
        self.event = 0

    def _happen(self, bit: int) -> None:
        self.event |= bit

    def _report(self, number: int) -> None:
        self._happen(_CME if number > -200 else _EXE)
        if len(self.errors) < _QUEUE:
            self.errors.append(number)
        else:
            self.errors[-1] = -350
