"""Whole simulated benches, ready to be aligned; the hidden truth is on ``bench.truth``."""

from __future__ import annotations

from typing import Any

from autoalign.bench import Bench
from autoalign.clock import Clock
from autoalign_simulators.collimator import simulate as simulate_collimator

__all__ = ["collimator"]


def collimator(seed: int | None = 0, *, clock: Clock | None = None, **options: Any) -> Bench:
    """Return the demo's collimator; options as of :func:`.collimator.simulate`."""
    return simulate_collimator(seed, clock=clock, **options).bench()
