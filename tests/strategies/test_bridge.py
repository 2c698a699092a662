"""Callback optimisers as generators: same values, no thread and no error left behind."""

from __future__ import annotations

import gc
import threading

import numpy as np
import pytest

from autoalign.strategies.base import Measurement
from autoalign.strategies.bridge import as_generator


def optimisers():
    """Return the threads of optimisers that are alive."""
    return [t for t in threading.enumerate() if t.name == "optimiser"]


def at(value):
    """Return an observation at ``value``."""
    return Measurement(np.array([float(value)]), {})


def counting(ask):
    """Ask for 0, 1, 2 … for ever."""
    k = 0
    while True:
        assert ask(np.array([float(k)])).positions[0] == k * 10
        k += 1


def test_positions_come_out_and_observations_go_in_one_by_one():
    """A position is yielded for every call, and the answer is what the call returns."""
    answers = []

    def solve(ask):
        for k in range(3):
            answers.append(ask(np.array([float(k)])).positions[0])

    steps = as_generator(solve)
    asked = [next(steps)[0], steps.send(at(10))[0], steps.send(at(20))[0]]
    with pytest.raises(StopIteration):
        steps.send(at(30))
    assert asked == [0.0, 1.0, 2.0]
    assert answers == [10.0, 20.0, 30.0]
    assert not optimisers()


@pytest.mark.parametrize("error", [ValueError, KeyboardInterrupt])
def test_what_the_optimiser_raises_comes_out_of_the_generator(error):
    """An error inside is an error outside, not a silent end."""

    def solve(ask):
        ask(np.zeros(1))
        raise error("inside")

    steps = as_generator(solve)
    next(steps)
    with pytest.raises(error, match="inside"):
        steps.send(at(0))
    assert not optimisers()


def test_closing_unwinds_the_optimiser_and_its_thread():
    """Its finally blocks run, its thread ends."""
    unwound = []

    def solve(ask):
        try:
            counting(ask)
        finally:
            unwound.append(True)

    steps = as_generator(solve)
    next(steps)
    steps.send(at(0))
    assert len(optimisers()) == 1
    steps.close()
    assert unwound == [True]
    assert not optimisers()


def test_an_error_thrown_in_unwinds_as_well():
    """What the session raises at the yield ends the optimiser and goes on up."""
    steps = as_generator(counting)
    next(steps)
    with pytest.raises(RuntimeError, match="from outside"):
        steps.throw(RuntimeError("from outside"))
    assert not optimisers()


def test_a_forgotten_generator_leaves_no_thread():
    """Garbage collection closes it; one never started has no thread at all."""
    as_generator(counting)
    assert not optimisers()
    steps = as_generator(counting)
    next(steps)
    del steps
    gc.collect()
    assert not optimisers()


def test_an_optimiser_that_swallows_exceptions_is_still_ended():
    """``except Exception`` around the call does not keep it alive."""

    def solve(ask):
        while True:
            try:
                ask(np.zeros(1))
            except Exception:  # noqa: BLE001
                continue

    steps = as_generator(solve)
    next(steps)
    steps.close()
    assert not optimisers()
