"""Motion in time: pieces of constant acceleration, so that a position is a function of time."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Piece", "Track", "brake", "travel"]


@dataclass(frozen=True, slots=True)
class Piece:
    """A stretch of constant acceleration that never reverses.

    ``start`` and ``duration`` in s, ``position`` and ``velocity`` where it begins, in the motor's
    unit and unit/s, ``acceleration`` in unit/s².
    """

    start: float
    duration: float
    position: float
    velocity: float
    acceleration: float

    @property
    def end(self) -> float:
        """When the piece ends, s."""
        return self.start + self.duration

    def at(self, time: float) -> float:
        """Return the position at ``time``, held before the start and after the end."""
        t = min(max(time - self.start, 0.0), self.duration)
        return self.position + t * (self.velocity + 0.5 * self.acceleration * t)

    def speed_at(self, time: float) -> float:
        """Return the velocity at ``time``; 0 outside the piece."""
        t = time - self.start
        return self.velocity + self.acceleration * t if 0 <= t < self.duration else 0.0


Track = tuple[Piece, ...]
"""Pieces that follow one another without a gap."""


def brake(start: float, position: float, velocity: float, acceleration: float) -> Track:
    """Return the way to standstill from ``velocity``; empty where nothing moves."""
    if velocity == 0:
        return ()
    duration = abs(velocity) / acceleration
    return (Piece(start, duration, position, velocity, -math.copysign(acceleration, velocity)),)


def travel(
    start: float, position: float, target: float, speed: float, acceleration: float
) -> Track:
    """Return the trapezoidal (or, on short ways, triangular) move from standstill to ``target``."""
    distance = target - position
    if distance == 0:
        return ()
    sign = math.copysign(1.0, distance)
    peak = min(speed, math.sqrt(abs(distance) * acceleration))
    ramp = peak / acceleration
    cruise = max(abs(distance) - peak * ramp, 0.0) / peak
    rise = Piece(start, ramp, position, 0.0, sign * acceleration)
    glide = Piece(rise.end, cruise, rise.at(rise.end), sign * peak, 0.0)
    fall = Piece(glide.end, ramp, glide.at(glide.end), sign * peak, -sign * acceleration)
    return (rise, glide, fall)
