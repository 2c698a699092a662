"""A conversation by hand with what is on a port: bytes both ways, and what they are taken for."""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass

from autoalign.core.errors import AlignError, LinkTimeoutError
from autoalign_drivers.dialogue import Dialogue
from autoalign_drivers.transport import Transport

__all__ = ["Asked", "Conversation", "Exchange"]


@dataclass(frozen=True, slots=True)
class Exchange:
    """Bytes that were sent, and the pieces that came, as they came."""

    sent: bytes
    came: tuple[bytes, ...]


@dataclass(frozen=True, slots=True)
class Asked:
    """A question of the bench file: what it is about, the bytes, and what was understood.

    ``problem`` says what was not understood, and is empty where all is well.
    """

    name: str
    exchanges: tuple[Exchange, ...]
    understood: str
    problem: str = ""


Question = tuple[str, Callable[[], str]]
"""What is asked about, and a call that asks and returns in words what was understood."""


class Conversation:
    """A line that a person talks on. Nothing is sent but what is asked for.

    Parameters
    ----------
    transport, dialogue
        The open line.
    questions
        What the bench file asks of the device; none of it moves anything.
    stop
        Sends the STOP of the bench file; None where there is none.
    """

    def __init__(
        self,
        transport: Transport,
        dialogue: Dialogue,
        questions: Sequence[Question],
        stop: Callable[[], None] | None,
    ) -> None:
        self.where = transport.where
        self._transport, self._dialogue = transport, dialogue
        self._questions, self._stop = list(questions), stop

    def ask_all(self) -> Iterator[Asked]:
        """Ask everything that the bench file asks, once, and yield what was understood.

        Who is there comes first; where that is not understood, nothing else is asked.
        """
        for name, ask in [("identity", self._dialogue.hello), *self._questions]:
            told: list[tuple[bool, bytes]] = []
            with self._transport.overheard(told):
                try:
                    understood, problem = ask(), ""
                except AlignError as error:
                    understood, problem = "", str(error)
            yield Asked(name, _exchanges(told), understood, problem)
            if problem and (name == "identity" or self._transport.broken):
                return

    def say(self, line: str, wait: float | None = None) -> Exchange:
        """Send ``line`` with its line end, and return what comes until the line is quiet.

        ``wait`` is the longest silence before the first byte, s; the file's reply timeout where not
        given. What the line does is nobody's concern here but the person's: no limit is checked.
        """
        settings, transport = self._dialogue.settings, self._transport
        told: list[tuple[bool, bytes]] = []
        with transport.turn(), transport.overheard(told):
            transport.write((line + settings.command_end).encode("ascii", errors="replace"))
            transport.listen(settings.reply_timeout if wait is None else wait, settings.quiet)
        return next(iter(_exchanges(told)), Exchange(b"", ()))

    def stop(self) -> str:
        """Send STOP as the bench file has it; return what became of it, in words."""
        if self._stop is None:
            return "The bench file has no stop for this device."
        try:
            self._stop()
        except LinkTimeoutError as error:
            return str(error)
        return "STOP was sent and acknowledged as the bench file says."

    def close(self) -> None:
        """Let go of the port. May be called twice."""
        self._transport.close()


def _exchanges(told: list[tuple[bool, bytes]]) -> tuple[Exchange, ...]:
    """Group what passed: each thing sent with what came until the next."""
    made: list[tuple[bytes, list[bytes]]] = []
    for sent, data in told:
        if sent:
            made.append((data, []))
        elif made:
            made[-1][1].append(data)
        else:
            made.append((b"", [data]))
    return tuple(Exchange(sent, tuple(came)) for sent, came in made)
