"""Simulated controllers and their links; no thread may outlive a test."""

from __future__ import annotations

import threading
from collections.abc import Iterator

import pytest
from autoalign_simulators.controllers import Mover
from autoalign_simulators.motors import Motor, MotorTraits

from autoalign.core.clock import VirtualClock

TRAITS = MotorTraits(step=1e-3, speed=1.0, acceleration=10.0)


@pytest.fixture
def mover() -> Mover:
    """Return a controller of two axes of ±1 mm at 1000 counts per mm, in virtual time."""
    clock = VirtualClock()
    motors = [Motor(name, clock, TRAITS, -1.0, 1.0) for name in ("a.x", "a.y")]
    return Mover(clock, motors)


@pytest.fixture(autouse=True)
def no_thread_left() -> Iterator[None]:
    """Fail a test that leaves a link's thread behind."""
    yield
    left = [t.name for t in threading.enumerate() if t.name.startswith("autoalign-link")]
    assert not left
