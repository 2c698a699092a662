"""Simulated motors: what a controller believes, and where its carriage truly stands.

Nothing runs in the background. A motor keeps the pieces of its motion and answers for any time
of the injected clock, so the same motor serves virtual, scaled and real time, and several threads.

Units are the axis' own, mm or rad, throughout.
"""

from __future__ import annotations

import math
import threading
from collections import deque
from dataclasses import dataclass, replace

from autoalign.core.clock import Clock
from autoalign.core.errors import MotionFaultError, TravelLimitError
from autoalign_simulators.trajectory import Track, brake, travel

__all__ = ["Motor", "MotorTraits"]


@dataclass(frozen=True, slots=True)
class MotorTraits:
    """What a motor is like.

    Parameters
    ----------
    step
        Size of one count, unit; readback and targets are whole counts.
    speed, acceleration
        unit/s, unit/s².
    backlash
        Lost motion on reversal: the carriage follows the nut once this much is taken up, unit.
    scale
        True travel over commanded travel.
    backward
        Size of a backward step over a forward one; other than 1 in open-loop inertia drives.
    wave, wave_period
        Amplitude and period of the screw's periodic error, unit.
    creep, creep_time
        Share of a move that still comes after it has ended, and its time constant, s.
    """

    step: float
    speed: float
    acceleration: float
    backlash: float = 0.0
    scale: float = 1.0
    backward: float = 1.0
    wave: float = 0.0
    wave_period: float = 1.0
    creep: float = 0.0
    creep_time: float = 5.0


@dataclass(frozen=True, slots=True)
class _MotorState:
    """Shaft (as commanded), nut (as driven), carriage (after the backlash) and what crept, unit."""

    shaft: float = 0.0
    nut: float = 0.0
    carriage: float = 0.0
    crept: float = 0.0


@dataclass(frozen=True, slots=True)
class _Epoch:
    """One order and what follows from it, from ``start`` on."""

    start: float
    state: _MotorState
    track: Track
    traits: MotorTraits

    @property
    def end(self) -> float:
        return self.track[-1].end if self.track else self.start

    def at(self, time: float) -> _MotorState:
        """Fold the pieces up to ``time`` through step asymmetry, backlash and creep."""
        traits, state = self.traits, self.state
        shaft, nut, carriage = state.shaft, state.nut, state.carriage
        for piece in self.track:
            if piece.start >= time:
                break
            shaft = piece.at(time)
            way = shaft - piece.position
            nut += way if way >= 0 else way * traits.backward
            carriage = min(max(carriage, nut), nut + traits.backlash)
        crept = state.crept
        if traits.creep and time > self.end:
            share = -math.expm1(-(time - self.end) / traits.creep_time)
            crept += traits.creep * (carriage - state.carriage) * share
        return _MotorState(shaft, nut, carriage, crept)

    def velocity(self, time: float) -> float:
        return next((v for p in self.track if (v := p.speed_at(time))), 0.0)


class Motor:
    """One motor with its carriage.

    Parameters
    ----------
    name
        Name of the axis that it drives.
    clock
        The simulated world's time.
    traits
        Steps, speed, backlash and errors.
    lower, upper
        Where the limit switches stand, on the true zero's scale.
    """

    def __init__(
        self, name: str, clock: Clock, traits: MotorTraits, lower: float, upper: float
    ) -> None:
        self.name = name
        self.clock = clock
        self.traits = traits
        self.lower = lower
        self.upper = upper
        self.fault = ""
        self.stalled = False
        self.deaf = False
        self.restless = False
        self._zero = 0.0
        self._homed = True
        self._homing_ends: float | None = None
        self._pending = False
        self._lock = threading.RLock()
        first = _Epoch(-math.inf, _MotorState(), (), traits)
        self._epochs: deque[_Epoch] = deque([first], maxlen=64)

    def __repr__(self) -> str:
        return f"Motor({self.name!r}, position={self.position:g}, moving={self.moving})"

    @property
    def counts(self) -> int:
        """The controller's position, counts."""
        return round(self._commanded() / self.traits.step)

    @property
    def position(self) -> float:
        """Readback: the controller's position, whole counts."""
        return self.counts * self.traits.step

    @property
    def moving(self) -> bool:
        """Whether the controller says that the motor moves."""
        with self._lock:
            return self.restless or self._pending or self.clock.now() < self._epochs[-1].end

    @property
    def homed(self) -> bool:
        """Whether the zero is known; false after a power cut until homing has ended."""
        with self._lock:
            self._finish_homing()
            return self._homed

    @property
    def velocity(self) -> float:
        """Present velocity of the shaft, unit/s."""
        with self._lock:
            return self._epochs[-1].velocity(self.clock.now())

    @property
    def arrival(self) -> float:
        """When the present motion ends or the last one ended, on the clock, s."""
        with self._lock:
            return self._epochs[-1].end

    def true_position(self, at: float | None = None) -> float:
        """Return where the carriage truly is, now or ``at`` a time of the recent past, unit."""
        state = self._state(self.clock.now() if at is None else at)
        t = self.traits
        wave = t.wave * math.sin(2 * math.pi * state.carriage / t.wave_period) if t.wave else 0.0
        return t.scale * (state.carriage + state.crept) + wave

    def start(self, target: float) -> None:
        """Go to the count closest to ``target``; a motion under way brakes first.

        Raises
        ------
        TravelLimitError
            For a target beyond a limit switch; nothing moves.
        MotionFaultError
            While :attr:`fault` is set.
        """
        if self.fault:
            raise MotionFaultError(f"motor {self.name}: {self.fault}; clear the fault first.")
        goal = round(target / self.traits.step) * self.traits.step + self._zero
        slack = self.traits.step / 2
        if not self.lower - slack <= goal <= self.upper + slack:
            raise TravelLimitError(
                f"motor {self.name}: asked for {target:g}, the limit switches allow "
                f"{self.lower - self._zero:g} to {self.upper - self._zero:g}; nothing was moved."
            )
        with self._lock:
            self._finish_homing()
            self._homing_ends = None
            self._go(goal)

    def home(self) -> None:
        """Go to the true zero; once there the position is known again."""
        with self._lock:
            self._homed = False
            self._go(0.0)
            self._homing_ends = math.inf if self._pending else self._epochs[-1].end

    def stop(self) -> None:
        """Brake to standstill; a homing under way is given up."""
        with self._lock:
            if self.deaf:
                return
            self._finish_homing()
            self._homing_ends = None
            self._pending = False
            now = self.clock.now()
            if now < self._epochs[-1].end:
                self._begin(now, self._braking(now))

    def stall(self) -> None:
        """Block the shaft where it stands; it says that it moves until it is stopped."""
        with self._lock:
            now = self.clock.now()
            self._pending = now < self._epochs[-1].end
            self.stalled = True
            self._begin(now, ())

    def release(self) -> None:
        """Free a blocked shaft; an order that was not carried out is forgotten."""
        with self._lock:
            self.stalled = False
            self._pending = False

    def slip(self, amount: float) -> None:
        """Shift the carriage by ``amount`` without the controller's knowledge.

        Lost steps, or a mount moved by hand.
        """
        with self._lock:
            now = self.clock.now()
            state = self._state(now)
            moved = replace(state, nut=state.nut + amount, carriage=state.carriage + amount)
            rest = self._remaining(now)
            self._epochs.append(_Epoch(now, moved, rest, self.traits))

    def power_cycle(self) -> None:
        """Cut the power: motion ends at once, and where the shaft stands is now called zero."""
        with self._lock:
            now = self.clock.now()
            self._begin(now, ())
            self._zero = self._epochs[-1].state.shaft
            self._homed = False
            self._pending = False
            self._homing_ends = None

    def _commanded(self) -> float:
        with self._lock:
            self._finish_homing()
            return self._state(self.clock.now()).shaft - self._zero

    def _finish_homing(self) -> None:
        if self._homing_ends is not None and self.clock.now() >= self._homing_ends:
            self._homed = True
            self._zero = 0.0
            self._homing_ends = None

    def _state(self, time: float) -> _MotorState:
        with self._lock:
            for epoch in reversed(self._epochs):
                if epoch.start <= time:
                    return epoch.at(time)
            return self._epochs[0].state

    def _go(self, goal: float) -> None:
        now = self.clock.now()
        if self.stalled:
            self._pending = True
            return
        slowing = self._braking(now)
        begin = slowing[-1].end if slowing else now
        where = slowing[-1].at(begin) if slowing else self._state(now).shaft
        t = self.traits
        self._begin(now, slowing + travel(begin, where, goal, t.speed, t.acceleration))

    def _begin(self, now: float, track: Track) -> None:
        self._epochs.append(_Epoch(now, self._state(now), track, self.traits))

    def _braking(self, now: float) -> Track:
        shaft, velocity = self._state(now).shaft, self._epochs[-1].velocity(now)
        return brake(now, shaft, velocity, self.traits.acceleration)

    def _remaining(self, now: float) -> Track:
        """Return the rest of the present track, cut at ``now``."""
        rest = []
        for piece in self._epochs[-1].track:
            if piece.end <= now:
                continue
            begin = max(piece.start, now)
            speed = piece.velocity + piece.acceleration * (begin - piece.start)
            rest.append(
                replace(
                    piece,
                    start=begin,
                    duration=piece.end - begin,
                    position=piece.at(begin),
                    velocity=speed,
                )
            )
        return tuple(rest)
