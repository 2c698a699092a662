"""One run of a campaign, as one row of its CSV file."""

from __future__ import annotations

import math
from dataclasses import dataclass

__all__ = ["Case", "Outcome"]


@dataclass(frozen=True, slots=True, order=True)
class Case:
    """What is run: one strategy on one bench drawn from one seed.

    With a ``drift`` above 0 the bench is aligned first, then every axis drifts by up to this part
    of the range that its misalignment was drawn from, and only the alignment after that counts;
    the strategy's calibration from the first is given to the second.
    """

    strategy: str
    bench: str
    seed: int
    drift: float = 0.0

    @property
    def where(self) -> str:
        """The bench in words, as tables and pictures name it."""
        return f"{self.bench}, drift {self.drift:g}" if self.drift else self.bench


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one case ended.

    Parameters
    ----------
    claimed
        Whether the run ended in spec by its own measurement.
    reached
        Whether the noise-free truth at the final position is in spec; this is what counts.
    measurements
        Measurements until the end, the first and the verifying one included.
    moves
        Moves carried out.
    bench_seconds
        Time that passed on the bench's clock.
    compute_seconds
        Median time of the search's own computing per measurement, s of this computer.
    travel_mm, travel_rad
        Summed travel of the axes.
    merit_first, merit_last
        Noise-free merit at the start and at the end (1 = at the tolerances, rms).
    status
        How the run ended, in a word; the name of the error where it broke off.
    reason
        The same in a sentence.
    budget, budget_seconds
        Measurements and time on the bench's clock that the run could spend, s; infinite for no
        limit.
    version
        Of the library that ran it.
    drift
        See :class:`Case`.
    diagnosis
        What the strategy says is wrong with the bench; empty where nothing is.
    fidelity
        What the simulated cameras gave: "frames" or "moments".
    axes
        Number of axes that the search could move.
    """

    strategy: str
    bench: str
    seed: int
    claimed: bool
    reached: bool
    measurements: int
    moves: int
    bench_seconds: float
    compute_seconds: float
    travel_mm: float
    travel_rad: float
    merit_first: float
    merit_last: float
    status: str
    reason: str
    budget: int
    budget_seconds: float
    version: str
    drift: float = 0.0
    diagnosis: str = ""
    fidelity: str = "frames"
    axes: int = 1

    @property
    def cost(self) -> float:
        """Measurements to spec; infinite where it was not reached."""
        return float(self.measurements) if self.reached else math.inf

    @property
    def case(self) -> Case:
        """Which case it was."""
        return Case(self.strategy, self.bench, self.seed, self.drift)
