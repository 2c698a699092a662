"""A mirror on hand-turned screws: a person who is asked, and turns roughly, aligns it."""

from __future__ import annotations

import re
from dataclasses import replace

import numpy as np
import pytest
from autoalign_drivers.hand import HandDriver, HandSettings
from autoalign_simulators import benches

import autoalign
from autoalign.core.axes import FINEST_TURN
from autoalign.core.clock import Clock
from autoalign.core.hands import Hands
from autoalign.core.interfaces import Stage
from autoalign.core.units import from_edge, to_edge

TURN = 2e-3
"""Travel of one turn of the screws, rad."""


class Hand:
    """Turns the axes of a simulated stage as asked, 3° of the screw more or less, and reads off."""

    def __init__(self, stage: Stage, clock: Clock, seed: int) -> None:
        self.stage, self.clock = stage, clock
        self.rng = np.random.default_rng(seed)
        self.orders: list[str] = []

    def __call__(self, question: str) -> str:
        """Do what is asked and tell the scale, in mrad with two decimals."""
        axis = re.search(r"^[a-z]+\.[a-z]+", question, re.MULTILINE)
        assert axis is not None
        order = re.search(r"to (-?[0-9.e-]+) mrad", question)
        if order is not None:
            self.orders.append(question)
            slip = self.rng.normal(0, TURN * 3 / 360)
            self.stage.start_move(axis[0], from_edge(float(order[1]), "mrad") + slip)
            while self.stage.status(axis[0]).moving:
                self.clock.sleep(0.1)
        return f"{to_edge(self.stage.status(axis[0]).position, 'mrad'):.2f}"


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(3))
def test_a_person_with_screws_aligns_the_collimator(seed: int) -> None:
    """In spec by the truth, in turns and degrees, though no target is met exactly."""
    bench = benches.collimator(seed)
    moved = bench.stage_of("mirror.tip")
    hand = Hand(moved, bench.clock, seed)
    screws = HandSettings.model_validate(
        {"axes": {name: {"per_turn": "2 mrad"} for name in moved.axes}}
    )
    axes = [replace(axis, backlash=0.0, resolution=1e-5) for axis in moved.axes.values()]
    stage = HandDriver(hand).build("mirror", axes, screws, bench.clock)
    stages = {name: stage if s is moved else s for name, s in bench.stages.items()}
    clear = Hands(lambda question: "")
    result = autoalign.align(replace(bench, stages=stages, hands=clear))
    assert result.in_spec, result.reason
    assert bench.spec is not None
    assert bench.truth.in_spec(bench.spec)
    assert result.measurements <= 12
    assert hand.orders
    for order in hand.orders:
        degrees = re.search(r"([0-9]+)°", order)
        assert degrees is None or int(degrees[1]) % FINEST_TURN == 0
        assert "clockwise" in order
