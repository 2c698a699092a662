"""Whole simulated benches, ready to be aligned; the hidden truth is on ``bench.truth``."""

from __future__ import annotations

from typing import Any

from autoalign.bench import Bench
from autoalign.core.clock import Clock
from autoalign_simulators import collimator as _collimator
from autoalign_simulators import focuser as _focuser
from autoalign_simulators import relay as _relay
from autoalign_simulators import steering as _steering

__all__ = ["collimator", "focuser", "relay", "steering"]


def collimator(seed: int | None = 0, *, clock: Clock | None = None, **options: Any) -> Bench:
    """Return a diverging source made into a collimated beam; see :func:`.collimator.simulate`."""
    return _collimator.simulate(seed, clock=clock, **options).bench()


def focuser(seed: int | None = 0, *, clock: Clock | None = None, **options: Any) -> Bench:
    """Return a collimated beam brought to a focus; see :func:`.focuser.simulate`."""
    return _focuser.simulate(seed, clock=clock, **options).bench()


def relay(seed: int | None = 0, *, clock: Clock | None = None, **options: Any) -> Bench:
    """Return a source imaged by two paraboloids; see :func:`.relay.simulate`."""
    return _relay.simulate(seed, clock=clock, **options).bench()


def steering(seed: int | None = 0, *, clock: Clock | None = None, **options: Any) -> Bench:
    """Return a beam walked onto two targets by two flats; see :func:`.steering.simulate`."""
    return _steering.simulate(seed, clock=clock, **options).bench()
