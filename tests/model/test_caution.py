"""Moving less when unsure: only doubt that the motion itself adds shortens a step."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators import benches

from autoalign.model.predict import BenchModel
from autoalign.model.target import SpecForecast, aim


def expected(foresight, step, phi, root):
    """Return |r|² + trace of r's covariance at the end of ``step``."""
    at = foresight.at(step.position, phi)
    return float((at.residual**2).sum() + (at.root(root) ** 2).sum())


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_a_step_gets_shorter_as_what_motion_does_gets_less_sure(seed):
    """Down to a quarter, along the same way, and better than the whole step would be.

    What the beam is like here is known to the last digit; nothing else is.
    """
    bench = benches.collimator(seed=seed)
    axes = list(bench.axes.values())
    model = BenchModel(bench.layout, axes)
    foresight = SpecForecast(model, bench.spec)
    lower, upper = (np.array(v) for v in zip(*(a.reachable for a in axes), strict=True))
    phi = 0.5 * np.random.default_rng(seed).standard_normal(model.size)
    here = np.zeros(len(axes))
    seen = foresight.at(here, phi).by_unknown
    unseen = np.eye(model.size) - np.linalg.pinv(seen) @ seen
    steps = {k: aim(foresight, phi, k * unseen, here, lower, upper) for k in (0, 1, 10, 30, 1000)}
    shares = [step.shortened for step in steps.values()]
    assert shares[0] == 1.0
    assert shares[-1] == 0.25
    assert shares == sorted(shares, reverse=True)
    whole = steps[0]
    for k, step in steps.items():
        # Aberrations count the less, the less they are known: a hint that turns the way a little.
        np.testing.assert_allclose(
            step.position, step.shortened * whole.position, rtol=0.02, atol=1e-4
        )
        least = expected(foresight, whole, phi, k * unseen)
        assert expected(foresight, step, phi, k * unseen) <= least * 1.02


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_doubt_that_motion_does_not_add_is_no_reason_to_move_less(seed):
    """Where every axis stands is unknown, here as there: standing still would not help."""
    bench = benches.collimator(seed=seed)
    model = BenchModel(bench.layout, list(bench.axes.values()))
    foresight = SpecForecast(model, bench.spec)
    lower, upper = (np.array(v) for v in zip(*(a.reachable for a in model.axes), strict=True))
    phi = 0.1 * np.random.default_rng(seed).standard_normal(model.size)
    offset = np.array([name.endswith(".offset") for name in model.unknowns.names], dtype=float)
    assert offset.sum() == len(model.axes)
    assert aim(foresight, phi, np.diag(offset), 0 * lower, lower, upper).shortened == 1.0
