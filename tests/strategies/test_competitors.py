"""Strategies that are there to be compared with do what their papers say."""

from __future__ import annotations

import itertools

import numpy as np
import pytest

from autoalign.strategies.composite import Composite
from autoalign.strategies.extremum_seeking import ExtremumSeeking, frequencies
from autoalign.strategies.gaussian_process import GaussianProcess
from autoalign.strategies.parallel_gradient import ParallelGradient
from autoalign.strategies.trust_region import TrustRegion
from autoalign.testing.strategies import MadeUpBench


def test_a_gradient_step_needs_two_measurements_and_goes_downhill() -> None:
    """u ± δ with the same |δ| in scale on every axis, then a step against J⁺ − J⁻ along δ."""
    bench = MadeUpBench(3)
    problem = bench.problem(4, 50)
    steps = ParallelGradient().propose(problem)
    plus = next(steps)
    first = bench.observe(plus)
    minus = steps.send(first)
    second = bench.observe(minus)
    delta = (plus - minus) / 2 / problem.scale
    np.testing.assert_allclose(np.abs(delta), 0.7)
    np.testing.assert_allclose((plus + minus) / 2, problem.start, atol=1e-12)
    third = steps.send(second)
    fourth = steps.send(bench.observe(third))
    moved = ((third + fourth) / 2 - problem.start) / problem.scale
    expected = -6.0 * np.log(first.merit / second.merit) * delta
    np.testing.assert_allclose(moved, expected, rtol=1e-9)
    steps.close()


def test_dithers_do_not_mix() -> None:
    """All different, below π, and none the sum of two others, up to the nine axes of a relay."""
    for count in (1, 4, 6, 9):
        omega = frequencies(count)
        assert omega.shape == (count,)
        assert np.all((omega > 0) & (omega < np.pi))
        assert len(omega) < 2 or np.diff(np.sort(omega)).min() > 0.05
        for a, b in itertools.combinations(omega, 2):
            assert np.abs(omega - (a + b)).min() > 1e-3


def test_extremum_seeking_follows_a_slope() -> None:
    """On a made-up bench the merit falls to a third within two hundred measurements."""
    bench = MadeUpBench(2)
    steps = ExtremumSeeking().propose(bench.problem(1, 200))
    merits, seen = [bench.observe(bench.start).merit], bench.observe(next(steps))
    for _ in range(199):
        merits.append(seen.merit)
        seen = bench.observe(steps.send(seen))
    steps.close()
    assert min(merits) < merits[0] / 3


def test_a_gaussian_process_against_the_formulae() -> None:
    """Mean k (K + σ²)⁻¹ y and variance 1 − k (K + σ²)⁻¹ kᵀ: Rasmussen and Williams, section 2.2."""
    rng = np.random.default_rng(0)
    x, y, at = rng.uniform(size=(9, 2)), rng.normal(size=(9, 3)), rng.uniform(size=(4, 2))
    logs = np.array([-1.0, 0.5, np.log(1e-3)])
    process = GaussianProcess(x, y, logs, fit=False)

    def matern(a: np.ndarray, b: np.ndarray) -> float:
        r = np.sqrt(5 * np.sum(((a - b) / np.exp(logs[:2])) ** 2))
        return float((1 + r + r * r / 3) * np.exp(-r))

    kernel = np.array([[matern(a, b) for b in x] for a in x]) + (1e-3 + 1e-8) * np.eye(9)
    across = np.array([[matern(a, b) for b in x] for a in at])
    scaled = (y - y.mean(0)) / y.std(0)
    mean, deviation = process.at(at)
    expected = y.mean(0) + y.std(0) * (across @ np.linalg.solve(kernel, scaled))
    np.testing.assert_allclose(mean, expected, rtol=1e-8)
    left = 1 - np.einsum("ij,ji->i", across, np.linalg.solve(kernel, across.T))
    np.testing.assert_allclose(deviation, np.sqrt(left)[:, None] * y.std(0), rtol=1e-6)


def test_a_gaussian_process_finds_the_axis_that_matters() -> None:
    """The kernel is long along an axis on which nothing depends."""
    rng = np.random.default_rng(1)
    x = rng.uniform(size=(40, 2))
    process = GaussianProcess(x, np.sin(6 * x[:, :1]))
    assert process.lengths[1] > process.lengths[0] + 1
    at = rng.uniform(size=(20, 2))
    np.testing.assert_allclose(process.at(at)[0], np.sin(6 * at[:, :1]), atol=0.05)


@pytest.mark.slow
def test_residuals_tell_a_search_more_than_their_size() -> None:
    """Within 25 measurements the composite search is better than that of the merit alone."""
    best = {}
    for strategy in (Composite(), TrustRegion()):
        bench = MadeUpBench(3)
        steps = strategy.propose(bench.problem(2, 25))
        seen = bench.observe(next(steps))
        merits = [seen.merit]
        for _ in range(24):
            seen = bench.observe(steps.send(seen))
            merits.append(seen.merit)
        steps.close()
        best[strategy.name] = min(merits)
    assert best["composite-bayesian"] < best["trust-region"]
