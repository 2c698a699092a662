"""Question and answer by lines, so that an answer is never taken for that to another question.

Before every command what came unasked is read; after every timeout or doubtful answer the
line is drained to quiet, cleared with bare line ends, and asked for the device's identity, before
anything else is sent. Queries are repeated a few times; orders never.
"""

from __future__ import annotations

import threading
from collections.abc import Callable, Mapping, Sequence
from typing import Any, TypeVar

from autoalign.core.errors import AlignError, LinkTimeoutError, ReplyError, WrongDeviceError
from autoalign_drivers.grammar import Grammar, fits
from autoalign_drivers.phrases import Phrase, RefusedError, RestartedError
from autoalign_drivers.port_settings import LineSettings
from autoalign_drivers.ports import SLICE
from autoalign_drivers.transport import PreemptedError, Transport

__all__ = ["Dialogue"]

T = TypeVar("T")

_MANY_LINES = 100
_STOPS = 3


class Dialogue:
    """A conversation with one controller over one :class:`Transport`.

    ``alarms`` holds what it sent unasked, ``restarted`` whether it has started anew, ``strays``
    how many lines fitted nothing.
    """

    def __init__(self, transport: Transport, settings: Any) -> None:
        self.transport = transport
        self.settings = settings
        self.where = transport.where
        self.alarms: list[str] = []
        self.restarted = False
        self.strays = 0
        self.identity = ""
        self._identity = self.phrase(settings.identity)
        presence = getattr(settings, "presence", None)
        self._presence = None if presence is None else self.phrase(presence)
        self._learn_words()
        self._free = float("-inf")
        self._tag = 0
        self._stops = threading.Lock()

    @staticmethod
    def phrase(query: Any) -> Phrase:
        """Compile a query of the settings."""
        return Phrase.of(query)

    def _learn_words(self) -> None:
        settings: LineSettings = self.settings
        self._errors, self._alarms, self._banners, self._chatter = (
            [Grammar(p) for p in patterns]
            for patterns in (settings.errors, settings.alarms, settings.banners, settings.chatter)
        )

    def hello(self) -> str:
        """Clear the line, ask who is there, and return the answer.

        Raises
        ------
        WrongDeviceError
            Where somebody else answers, or nonsense comes.
        LinkTimeoutError
            Where nobody answers.
        """
        with self.transport.turn():
            self.resync()
            self.restarted = False
            return self.identity

    def ask(self, phrase: Phrase, read: Callable[[Mapping[str, str]], T], **values: str) -> T:
        """Ask something that changes nothing, again if need be; return what ``read`` makes of it.

        ``read`` gets the groups of the answer and raises :class:`ReplyError` for one to ask again.
        """
        with self.transport.turn():
            left = self.settings.retries
            while True:
                try:
                    return read(self._once(phrase, values))
                except (LinkTimeoutError, ReplyError):
                    if self.transport.broken:
                        raise
                    self.resync()
                    if left == 0:
                        raise
                    left -= 1

    def ask_block(self, phrase: Phrase, size: int, **values: str) -> bytes:
        """Ask for a definite-length block of ``size`` bytes (IEEE 488.2, 8.7.9, from memory).

        ``#``, the number of digits, the digits of the length, the bytes, the end of a line. Asked
        again if need be.

        Raises
        ------
        ReplyError
            Where a block comes that is none, or has another length.
        """
        with self.transport.turn():
            left = self.settings.retries
            while True:
                try:
                    return self._block(phrase, size, values)
                except (LinkTimeoutError, ReplyError):
                    if self.transport.broken:
                        raise
                    self.resync()
                    if left == 0:
                        raise
                    left -= 1

    def _block(self, phrase: Phrase, size: int, values: Mapping[str, str]) -> bytes:
        self._sweep()
        line, _ = self._fill(phrase, values)
        self._wait_for_turn()
        transport, timeout = self.transport, self.settings.reply_timeout
        deadline = transport.clock.now() + timeout
        self._send(line, phrase, deadline)
        head = transport.read_exactly(2, deadline)
        if head[:1] != b"#" or head[1:] not in b"123456789":
            raise ReplyError(f"{self.where}: asked {line!r}, got {head!r}…, which begins no block.")
        digits = transport.read_exactly(int(head[1:]), deadline)
        if not digits.isdigit() or int(digits) != size:
            raise ReplyError(
                f"{self.where}: asked {line!r}, a block of {digits!r} bytes came, {size} are "
                "expected. Correct columns, rows and type in the bench file."
            )
        data = b""
        while len(data) < size:
            # Each piece has its time: a large picture on a slow line takes long.
            piece = min(size - len(data), 4096)
            data += transport.read_exactly(piece, transport.clock.now() + timeout)
        end = self.settings.reply_end.encode("ascii")
        if transport.read_exactly(len(end), transport.clock.now() + timeout) != end:
            raise ReplyError(f"{self.where}: asked {line!r}, the block does not end where it says.")
        self._free = transport.clock.now() + self.settings.interval
        transport.owed = False
        return data

    def order(self, phrase: Phrase, **values: str) -> Mapping[str, str]:
        """Send something that changes the world, once, and return the groups of the answer."""
        with self.transport.turn():
            return self._once(phrase, values)

    def shout(self, phrase: Phrase, **values: str) -> None:
        """Send a STOP past whoever waits on the line, until it is acknowledged.

        A STOP may be repeated without harm, so it is, also where it could not be sent at once or
        where another thread's STOP comes between. Where an answer to something else may still be
        on its way, it is sent again after a silence, and only what comes then counts. Not to be
        called by a thread that owns the line.
        """
        line, tag = self._fill(phrase, values)
        data = self.stop_bytes([line])
        sent = self._send_past(data)
        with self._stops:
            for attempt in range(_STOPS):
                if attempt > 0:
                    sent = self._send_past(data)
                try:
                    with self.transport.turn(resume=True):
                        if sent and self._obeyed(phrase, tag, data):
                            self.resync()
                            return
                except PreemptedError:
                    continue
        raise LinkTimeoutError(f"{self.where}: STOP was sent {_STOPS} times and not acknowledged.")

    def filled(self, phrase: Phrase, **values: str) -> str:
        """Return the line of a command."""
        return self._fill(phrase, values)[0]

    def stop_bytes(self, lines: Sequence[str]) -> bytes:
        """Return what sends ``lines`` whatever stands half said on the line before them."""
        end: str = self.settings.command_end
        return (end + "".join(line + end for line in lines)).encode("ascii")

    def cry(self, lines: Sequence[str]) -> None:
        """Send ``lines`` past whoever waits, at once and together; nobody waits for answers."""
        self._send_past(self.stop_bytes(lines))
        self.transport.owed = True

    def _send_past(self, data: bytes) -> bool:
        """Send past whoever waits; return whether it left in time."""
        try:
            self.transport.preempt(data)
        except LinkTimeoutError:
            if self.transport.broken:
                raise
            return False
        return True

    def _obeyed(self, phrase: Phrase, tag: str, data: bytes) -> bool:
        """Return whether the STOP that was sent is acknowledged, or needs no acknowledgement."""
        if phrase.grammar is None:
            return True
        try:
            if self.transport.owed:
                self._hush()
                self.transport.write(data)
            return self._acknowledged(phrase, tag)
        except LinkTimeoutError:
            if self.transport.broken:
                raise
            return False

    def _hush(self) -> None:
        """Read what comes until nothing has come for a while; a babbler is not waited for."""
        for _ in range(_MANY_LINES):
            try:
                line = self.transport.read_line(self.transport.clock.now() + self.settings.quiet)
            except LinkTimeoutError:
                return
            self._sort([line])

    def resync(self) -> None:
        """Bring question and answer into step again; close the line where that fails."""
        problem: AlignError | None = None
        for _ in range(2):
            try:
                self._clear()
                self._introduce()
            except PreemptedError:
                raise
            except (LinkTimeoutError, ReplyError, WrongDeviceError) as error:
                if self.transport.broken:
                    raise
                problem = error
                continue
            return
        kind = WrongDeviceError if isinstance(problem, ReplyError) else type(problem)
        sent = "No other command was sent since" if self.identity else "Nothing else was sent"
        if self.transport.farewell:
            sent = "STOP was sent for what may be moving"
        self.transport.close()
        raise kind(  # type: ignore[misc]
            f"{problem} {sent}, and the line was closed. Check which device is on this port and "
            "the line settings in the bench file."
        )

    def _acknowledged(self, phrase: Phrase, tag: str) -> bool:
        """Read on, past late answers to other questions, until one matches or time is up."""
        deadline = self.transport.clock.now() + self.settings.reply_timeout
        for _ in range(_MANY_LINES):
            try:
                raw = self.transport.read_line(deadline)
            except LinkTimeoutError:
                return False
            text = self._bare(raw.decode("ascii", errors="replace").strip())
            found = None
            if text is not None and phrase.grammar is not None:
                found = phrase.grammar.read(text)
            if found is not None and found.get("tag", tag) == tag:
                return True
            self._sort([raw])
        return False

    def _clear(self) -> None:
        """End whatever is half said on the line, and read until it is quiet."""
        self.transport.write(self.settings.command_end.encode("ascii"))
        self._sort(self.transport.drain(self.settings.quiet))

    def _introduce(self) -> None:
        if self.identity and self._presence is not None:
            self._once(self._presence, {}, patient=True)
            return
        said = self._once(self._identity, {}, patient=True)
        line = said.get("identity", said["line"])
        if self.identity and line != self.identity:
            raise WrongDeviceError(f"{self.where}: it was {self.identity!r}, now it says {line!r}.")
        self.identity = line

    def _once(
        self, phrase: Phrase, values: Mapping[str, str], *, patient: bool = False
    ) -> Mapping[str, str]:
        """Send one command and return the groups of its answer, the line itself as ``line``.

        ``patient``: what does not answer may be late answers to what was asked before, and is
        passed over as long as there is time.
        """
        self._sweep()
        line, tag = self._fill(phrase, values)
        self._wait_for_turn()
        deadline = self.transport.clock.now() + self.settings.reply_timeout
        self._send(line, phrase, deadline)
        found: Mapping[str, str] = {}
        if phrase.grammar is not None:
            found = self._answer(phrase, line, tag, deadline, patient)
        self._free = self.transport.clock.now() + self.settings.interval
        self.transport.owed = False
        if phrase.grammar is None:
            return found
        for group, asked in (("axis", values.get("axis")), ("address", self.settings.address)):
            if asked and found.get(group, asked) != asked:
                raise ReplyError(
                    f"{self.where}: asked {self._shown(line)}, the answer is about {group} "
                    f"{found[group]!r}."
                )
        if self._more():
            raise ReplyError(f"{self.where}: asked {self._shown(line)}, more than one answer came.")
        return found

    def _send(self, line: str, phrase: Phrase, deadline: float) -> None:
        """Send one command and take off its echo."""
        end = "" if phrase.bare else self.settings.command_end
        self.transport.write((line + end).encode("ascii"))
        if self.settings.echo:
            self._echo(line, deadline)

    def _more(self) -> bool:
        """Return whether something came after the answer."""
        return bool(self._sort(self.transport.pending()))

    def _shown(self, line: str) -> str:
        """Return a command as it stands in a message."""
        return repr(line)

    def _wait_for_turn(self) -> None:
        """Wait until the controller may be sent the next command."""
        clock = self.transport.clock
        while (wait := self._free - clock.now()) > 0:
            clock.sleep(min(wait, SLICE))
            self.transport.check()

    def _answer(
        self, phrase: Phrase, asked: str, tag: str, deadline: float, patient: bool
    ) -> Mapping[str, str]:
        """Return the groups of the line that answers, the line itself as ``line``."""
        kept: Mapping[str, str] | None = None
        misfit: ReplyError | None = None
        heard: str | None = None
        for _ in range(_MANY_LINES):
            try:
                heard = self._next(asked, deadline)
                if heard is None:
                    continue
                found = self._match(phrase, asked, heard, tag) if kept is None else None
            except RestartedError:
                raise
            except ReplyError as error:
                if not patient or heard == asked:
                    raise
                self.strays += 1
                misfit = error
                continue
            except LinkTimeoutError:
                if misfit is not None and not self.transport.broken:
                    raise misfit from None
                raise
            if found is not None and found.get("tag", tag) != tag:
                self.strays += 1
                continue
            kept = found or kept
            closed = phrase.closing is None or phrase.closing.read(heard) is not None
            if kept is not None and closed:
                return kept
            if closed:
                raise ReplyError(self._misfit(asked, heard, phrase))
        raise self.transport.fail(
            f"{_MANY_LINES} lines came and none answers {asked!r}", ReplyError
        )

    def _match(self, phrase: Phrase, asked: str, heard: str, tag: str) -> Mapping[str, str] | None:
        """Return the groups of ``heard``, None where more lines may come; raise for a refusal."""
        found = phrase.grammar.read(heard) if phrase.grammar is not None else None
        if found is not None:
            return {**found, "line": heard}
        self._refusal(asked, heard, tag)
        if phrase.closing is None:
            raise ReplyError(self._misfit(asked, heard, phrase))
        return None

    def _next(self, asked: str, deadline: float, *, dressed: bool = False) -> str | None:
        """Return the next line, or None for one that came unasked; ``dressed`` as it came."""
        try:
            raw = self.transport.read_line(deadline)
        except LinkTimeoutError as error:
            if self.transport.broken:
                raise
            raise LinkTimeoutError(
                f"{error} Asked {asked!r}, allowed were {self.settings.reply_timeout:g} s."
            ) from None
        if not raw.strip():
            return None
        text = self._text(raw, asked)
        bare = self._bare(text)
        if self._unasked(text if bare is None else bare):
            if fits(self._banners, text if bare is None else bare):
                raise RestartedError(f"{self.where}: the controller has started anew ({text!r}).")
            return None
        if dressed:
            return text
        if bare is None:
            raise ReplyError(f"{self.where}: asked {asked!r}, got {text!r}: its checksum is wrong.")
        return bare

    def _bare(self, text: str) -> str | None:
        """Return a line without its checksum; None where that is wrong."""
        checksum = self.settings.checksum
        return text if checksum is None else checksum.take(text)

    def _echo(self, line: str, deadline: float) -> None:
        """Read on until ``line`` comes back; what comes before it answers something earlier."""
        other = ""
        while True:
            try:
                heard = self._next(line, deadline, dressed=True)
            except LinkTimeoutError:
                if not other or self.transport.broken:
                    raise
                raise ReplyError(
                    f"{self.where}: sent {line!r}, which did not come back; {other!r} came. If the "
                    "controller does not send back what it is sent, set 'echo = false' in the "
                    "bench file."
                ) from None
            if heard == line:
                return
            if heard is not None:
                other, self.strays = heard, self.strays + 1

    def _misfit(self, asked: str, heard: str, phrase: Phrase) -> str:
        if heard == asked:
            return (
                f"{self.where}: the controller sends back what it is asked ({asked!r}); set "
                "'echo = true' in the bench file."
            )
        pattern = phrase.grammar.pattern if phrase.grammar is not None else ""
        return (
            f"{self.where}: asked {asked!r}, got {heard!r}; allowed is {pattern!r}. If the "
            "controller is the right one, correct the reply pattern in the bench file."
        )

    def _refusal(self, asked: str, heard: str, tag: str) -> None:
        for grammar in self._errors:
            found = grammar.read(heard)
            if found is not None and found.get("tag", tag) == tag:
                raise RefusedError(f"{self.where}: asked {asked!r}, refused with {heard!r}.")

    def _sweep(self) -> None:
        """Read what came unasked before the next command leaves."""
        self._sort(self.transport.pending())
        if self.transport.partial():
            self._sort(self.transport.drain(self.settings.quiet))

    def _sort(self, lines: list[bytes]) -> list[str]:
        """Note alarms and restarts; return and count the lines that are neither."""
        rest = []
        for raw in lines:
            text = raw.decode("ascii", errors="replace").strip()
            bare = self._bare(text)
            if text and not self._unasked(text if bare is None else bare):
                rest.append(text)
        self.strays += len(rest)
        return rest

    def _unasked(self, text: str) -> bool:
        if fits(self._banners, text):
            self.restarted = True
            return True
        if fits(self._alarms, text):
            self.alarms.append(text)
            return True
        return fits(self._chatter, text)

    def _text(self, raw: bytes, asked: str) -> str:
        try:
            text = raw.decode("ascii").strip()
        except UnicodeDecodeError:
            text = ""
        if not text or not text.isprintable():
            raise ReplyError(
                f"{self.where}: asked {asked!r}, got {raw[:40]!r}, which is no text. Check the "
                "line speed and parity in the bench file."
            )
        return text

    def _fill(self, phrase: Phrase, values: Mapping[str, str]) -> tuple[str, str]:
        self._tag = self._tag % 9999 + 1
        tag = str(self._tag)
        address = self.settings.address
        line = phrase.template.fill(**{**values, "tag": tag, "address": address})
        checksum = self.settings.checksum
        return line if checksum is None or phrase.bare else checksum.add(line), tag
