"""The hidden world: true motions, true errors, true positions."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from autoalign.core.clock import Clock
from autoalign.optics.layout import Layout, Motion
from autoalign.optics.pose import Pose, place
from autoalign_simulators.motors import Motor

__all__ = ["World", "cross_talk", "skewed"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class World:
    """Where everything truly stands.

    Parameters
    ----------
    clock
        The simulated world's time.
    layout
        The bench as it truly is: motions with their errors of direction and pivot.
    motors
        By axis.
    hidden
        Misalignment by axis, mm or rad: where the part stands when its motor reads 0.
    coupling
        (n, n) true motion of each axis per motion of each motor, in the order of
        ``layout.motions``; None for the identity.
    drift
        Steady drift by axis, unit/s.
    power
        What the source emits, 1 as a rule; 0 behind a closed shutter.
    fading
        Part of its power that the source loses per minute.
    """

    clock: Clock
    layout: Layout
    motors: Mapping[str, Motor]
    hidden: Mapping[str, float] = field(default_factory=dict)
    coupling: Floats | None = None
    drift: Mapping[str, float] = field(default_factory=dict)
    power: float = 1.0
    fading: float = 0.0

    @property
    def axes(self) -> tuple[str, ...]:
        """Names of the axes, in the order of the layout's motions."""
        return tuple(m.axis for m in self.layout.motions)

    def brightness(self, at: float) -> float:
        """Return what the source emits at the time ``at``, s."""
        return self.power * math.exp(-self.fading * at / 60)

    def moving(self, at: float) -> bool:
        """Whether some motor has not come to rest by ``at``, s."""
        return any(m.arrival > at for m in self.motors.values())

    def positions(self, at: float | None = None) -> dict[str, float]:
        """Return by how much each axis truly stands away from perfect alignment, now or ``at``."""
        time = self.clock.now() if at is None else at
        carriages = np.array([self.motors[a].true_position(at) for a in self.axes])
        moved = carriages if self.coupling is None else self.coupling @ carriages
        return {
            a: float(v) + self.hidden.get(a, 0.0) + self.drift.get(a, 0.0) * time
            for a, v in zip(self.axes, moved, strict=True)
        }

    def poses(self, at: float | None = None) -> dict[str, Pose]:
        """Return the true pose of every part, now or ``at`` a time of the recent past."""
        return place(self.layout, self.positions(at))

    def aligned(self) -> dict[str, float]:
        """Return the readings at which every part is where the layout has it.

        Backlash, creep and drift aside. With more axes than the beam can feel it is one of many.
        """
        offsets = np.array([self.hidden.get(a, 0.0) for a in self.axes])
        coupling = np.eye(len(offsets)) if self.coupling is None else self.coupling
        carriages = np.linalg.solve(coupling, -offsets)
        return {
            a: float(c / self.motors[a].traits.scale)
            for a, c in zip(self.axes, carriages, strict=True)
        }


def skewed(layout: Layout, rng: np.random.Generator, direction: float, pivot: float) -> Layout:
    """Return ``layout`` with motions that are off: directions by ``direction`` rad, pivots by mm.

    Both are standard deviations per component.
    """
    return replace(layout, motions=tuple(_off(m, rng, direction, pivot) for m in layout.motions))


def cross_talk(layout: Layout, rng: np.random.Generator, size: float) -> Floats:
    """Return a coupling matrix with ``size`` (standard deviation) between like axes of one part."""
    motions = layout.motions
    noise = size * rng.normal(size=(len(motions), len(motions)))
    like = [[a.part == b.part and a.kind == b.kind for b in motions] for a in motions]
    return np.asarray(np.where(np.eye(len(motions), dtype=bool), 1.0, noise * np.array(like)))


def _off(motion: Motion, rng: np.random.Generator, direction: float, pivot: float) -> Motion:
    line = np.array(motion.direction) + direction * rng.normal(size=3)
    line /= np.linalg.norm(line)
    point = np.array(motion.pivot) + pivot * rng.normal(size=3)
    return replace(motion, direction=_triple(line), pivot=_triple(point))


def _triple(v: Floats) -> tuple[float, float, float]:
    return float(v[0]), float(v[1]), float(v[2])
