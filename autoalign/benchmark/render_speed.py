"""Frames that a simulated bench renders in a second, and how far they are off a denser render."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from functools import partial
from typing import Any

import numpy as np

from autoalign.benchmark.timing import Figure, Section, figure, take_turns
from autoalign.core.interfaces import Exposure, Simulation

__all__ = ["measure_rendering"]

_PATIENCE = 3600.0
"""s of the simulation's own time, to come to rest and for a frame."""


def measure_rendering(
    simulate: Callable[..., Simulation], rounds: int = 40, finer: int = 8, **options: Any
) -> Section:
    """Measure frames per second, every one with another place of every axis, with noise.

    Parameters
    ----------
    simulate
        Of the entry-point group ``autoalign.simulations``.
    finer
        The render is judged against one with this many times the points along each side.
    options
        For ``simulate``.
    """
    simulation = simulate(3, **options)
    try:
        bench = _Restless(simulation)
        takes = {n: partial(bench.take, n) for n in simulation.detectors}
        spent = take_turns(takes, rounds, dict.fromkeys(takes, bench.move))
        still = take_turns(takes, rounds)
        found = [figure(f"plane {n}", 1 / s, "frames/s") for n, s in spent.items()]
        found += [figure(f"plane {n}, at rest", 1 / s, "frames/s") for n, s in still.items()]
        errors, remark = _errors(simulation, finer)
        size = bench.size
    finally:
        simulation.close()
    title = f"Rendered frames, {size}, with noise"
    return Section(title, (*found, *errors), (_HOW, remark))


_HOW = (
    "Between frames every axis goes to another place, untimed, so that each is rendered afresh; at "
    "rest the light is kept and only the noise is drawn."
)


class _Restless:
    """A simulation whose axes stand elsewhere at every frame."""

    def __init__(self, simulation: Simulation) -> None:
        self.simulation = simulation
        self._rng = np.random.default_rng(0)
        self._seen: Exposure | None = None

    @property
    def size(self) -> str:
        """Size and depth of the frames."""
        shape = getattr(getattr(self._seen, "pixels", None), "shape", (0, 0))
        return f"{shape[1]} × {shape[0]}, {getattr(self._seen, 'bit_depth', None)} bit"

    def take(self, detector: str) -> None:
        """Take one frame."""
        now = self.simulation.clock.now()
        seen: Sequence[Exposure] = self.simulation.detectors[detector].acquire(
            1, now, now + _PATIENCE
        )
        self._seen = seen[0]

    def move(self) -> None:
        """Take every axis elsewhere and wait until all is at rest."""
        clock = self.simulation.clock
        for stage in self.simulation.stages.values():
            for axis in stage.axes.values():
                reach = 0.02 * (axis.upper - axis.lower)
                stage.start_move(axis.name, float(self._rng.uniform(-reach, reach)))
        clock.sleep(_PATIENCE)


def _errors(simulation: Simulation, finer: int) -> tuple[list[Figure], str]:
    picture = getattr(simulation, "picture", None)
    if picture is None:
        return [], "The simulation offers no picture without noise: its error is not known."
    found = []
    for name in simulation.detectors:
        plain, dense = picture(name).astype(float), picture(name, finer).astype(float)
        off, lit = (plain - dense) / dense.max(), dense > 0.02 * dense.max()
        rms = float(np.sqrt(np.mean(off[lit] ** 2)))
        for what, value, unit in (
            ("rms error", 100 * rms, "% of the peak"),
            ("worst pixel", 100 * float(np.max(np.abs(off))), "% of the peak"),
            ("error of the flux", 100 * abs(float(plain.sum() / dense.sum()) - 1), "%"),
        ):
            found.append(figure(f"plane {name}, {what}", [value], unit))
    return found, f"Errors are against a render {finer * finer} times as dense, lit pixels."
