"""A bad cable: damages, delays and cuts what passes between a driver and a controller.

It stands in a controller's place on any link. Faults are either ordered one by one
(:meth:`FaultyLine.inject`, for tests that say what goes wrong when) or drawn at given rates from a
generator (for chaos runs). A fault meets one passage: what the host writes in one go, or what the
controller has to say at one time.
"""

from __future__ import annotations

from collections import deque
from dataclasses import dataclass, fields
from typing import Literal

import numpy as np

from autoalign.core.clock import Clock
from autoalign_simulators.controllers.talker import Talker, WriteBlocked

__all__ = ["Fault", "FaultKind", "FaultRates", "FaultyLine", "Way"]

FaultKind = Literal[
    "lose", "drop", "flip", "double", "repeat", "delay", "split", "merge", "babble", "hang_up",
    "block", "block_after",
]  # fmt: skip
Way = Literal["command", "reply"]


@dataclass(frozen=True, slots=True)
class Fault:
    """One thing that goes wrong.

    Parameters
    ----------
    kind
        ``lose`` all of it; ``drop`` one byte; ``flip`` one bit; ``double`` one byte; ``repeat``
        all of it ``seconds`` later; ``delay`` by ``seconds``; ``split`` in two, the rest
        ``seconds`` later; ``merge`` with the next passage; ``babble`` for ``seconds``;
        ``hang_up``; ``block`` the write with nothing through, ``block_after`` with all of it
        through.
    way
        ``command`` (host to controller) or ``reply``.
    at, bit
        Which byte (counted round) and which bit of it.
    seconds
        On the clock of the controller.
    """

    kind: FaultKind
    way: Way = "reply"
    at: int = 0
    bit: int = 0
    seconds: float = 0.0


@dataclass(frozen=True, slots=True)
class FaultRates:
    """Probability of each fault per passage, and how long a delay or a babble lasts, s."""

    lose: float = 0.0
    drop: float = 0.0
    flip: float = 0.0
    double: float = 0.0
    repeat: float = 0.0
    delay: float = 0.0
    split: float = 0.0
    merge: float = 0.0
    babble: float = 0.0
    hang_up: float = 0.0
    block: float = 0.0
    block_after: float = 0.0
    seconds: float = 0.5


class FaultyLine:
    """Stands between a link and ``inner``; is itself a :class:`Talker`.

    Parameters
    ----------
    inner
        The controller, or another bad cable.
    rates, rng
        For faults at random; without them only injected faults happen.
    """

    def __init__(
        self,
        inner: Talker,
        rates: FaultRates | None = None,
        rng: np.random.Generator | None = None,
    ) -> None:
        self.inner = inner
        self.rates = rates
        self.rng = rng
        self.happened: list[Fault] = []
        self._ordered: dict[Way, deque[Fault]] = {"command": deque(), "reply": deque()}
        self._held: dict[Way, bytes] = {"command": b"", "reply": b""}
        self._queue: dict[Way, deque[tuple[float, bytes]]] = {"command": deque(), "reply": deque()}
        self._babble_until = -np.inf
        self._cut = False

    @property
    def clock(self) -> Clock:
        """The controller's time."""
        return self.inner.clock

    @property
    def hung_up(self) -> bool:
        """Whether the cable has been cut."""
        return self._cut or self.inner.hung_up

    def inject(self, *faults: Fault) -> None:
        """Order faults; each meets one passage of its way, in turn."""
        for fault in faults:
            self._ordered[fault.way].append(fault)

    def mend(self) -> None:
        """Forget faults that have not happened, join a cut cable, end a babble."""
        for queue in self._ordered.values():
            queue.clear()
        self._babble_until = -np.inf
        self._cut = False

    def feed(self, data: bytes) -> None:
        """Pass bytes from the host on, or not."""
        fault = self._next("command")
        if fault is not None and fault.kind == "block":
            raise WriteBlocked
        self._pass("command", data, fault)
        self._deliver()
        if fault is not None and fault.kind == "block_after":
            raise WriteBlocked

    def take(self) -> bytes:
        """Return what reaches the host by now."""
        self._deliver()
        said = self.inner.take()
        if said:
            self._pass("reply", said, self._next("reply"))
        now = self.clock.now()
        if self._cut:
            return b""
        noise = self._noise(64) if now < self._babble_until else b""
        return self._ready("reply", now) + noise

    def due(self) -> float | None:
        """Return when something may next reach the host or the controller."""
        times = [q[0][0] for q in self._queue.values() if q]
        inner = self.inner.due()
        if inner is not None:
            times.append(inner)
        if self.clock.now() < self._babble_until:
            times.append(self.clock.now())
        return min(times, default=None)

    def _next(self, way: Way) -> Fault | None:
        if self._ordered[way]:
            fault = self._ordered[way].popleft()
        else:
            drawn = self._draw(way)
            if drawn is None:
                return None
            fault = drawn
        self.happened.append(fault)
        if fault.kind == "hang_up":
            self._cut = True
        if fault.kind == "babble":
            self._babble_until = self.clock.now() + fault.seconds
        return fault

    def _draw(self, way: Way) -> Fault | None:
        if self.rates is None or self.rng is None:
            return None
        shot = float(self.rng.random())
        for field in fields(self.rates):
            if field.name == "seconds":
                continue
            shot -= getattr(self.rates, field.name)
            if shot < 0:
                at, bit = int(self.rng.integers(0, 256)), int(self.rng.integers(0, 8))
                return Fault(field.name, way, at, bit, self.rates.seconds)  # type: ignore[arg-type]
        return None

    def _pass(self, way: Way, data: bytes, fault: Fault | None) -> None:
        now = self.clock.now()
        data, self._held[way] = self._held[way] + data, b""
        if fault is None:
            self._push(way, now, data)
            return
        at = fault.at % len(data)
        later = now + fault.seconds
        match fault.kind:
            case "lose" | "hang_up":
                pass
            case "drop":
                self._push(way, now, data[:at] + data[at + 1 :])
            case "flip":
                flipped = data[at] ^ (1 << fault.bit)
                self._push(way, now, data[:at] + bytes([flipped]) + data[at + 1 :])
            case "double":
                self._push(way, now, data[: at + 1] + data[at:])
            case "repeat":
                self._push(way, now, data)
                self._push(way, later, data)
            case "delay":
                self._push(way, later, data)
            case "split":
                self._push(way, now, data[:at])
                self._push(way, later, data[at:])
            case "merge":
                self._held[way] = data
            case _:
                self._push(way, now, data)

    def _push(self, way: Way, due: float, data: bytes) -> None:
        queue = self._queue[way]
        if queue:
            due = max(due, queue[-1][0])
        if data:
            queue.append((due, data))

    def _ready(self, way: Way, now: float) -> bytes:
        queue, parts = self._queue[way], []
        while queue and queue[0][0] <= now:
            parts.append(queue.popleft()[1])
        return b"".join(parts)

    def _deliver(self) -> None:
        data = self._ready("command", self.clock.now())
        if data and not self._cut:
            self.inner.feed(data)

    def _noise(self, count: int) -> bytes:
        rng = self.rng if self.rng is not None else np.random.default_rng(0)
        return rng.integers(0, 256, count, dtype=np.uint8).tobytes()
