"""The searches on the simulated demo bench: frames in, motor positions out, judged by its truth."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators import benches
from autoalign_simulators.collimator import START

from autoalign.beam.profile import FlagKind
from autoalign.run.align import align


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(4))
def test_the_response_matrix_brings_the_demo_into_spec(seed):
    """Six axes, frames of two cameras, every everyday effect: in spec by the noise-free truth."""
    bench = benches.collimator(seed=seed)
    result = align(bench, strategy="response-matrix", budget=30, seed=seed)
    assert result.in_spec, result.reason
    assert bench.truth.in_spec(bench.spec)
    assert result.measurements <= 14


@pytest.mark.slow
def test_the_hand_procedure_brings_the_demo_into_spec():
    """One axis at a time reaches the spec as well, with more looks."""
    bench = benches.collimator(seed=1)
    result = align(bench, strategy="axis-by-axis", budget=60, seed=1)
    assert result.in_spec, result.reason
    assert bench.truth.in_spec(bench.spec)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [1, 4])
def test_a_far_beam_that_is_cut_off_is_walked_back(seed):
    """From three times the usual misalignment the sensor cuts the far beam at first."""
    rng = np.random.default_rng(1000 + seed)
    hidden = {axis: float(3 * rng.uniform(-w, w)) for axis, w in START.items()}
    bench = benches.collimator(seed=seed, hidden=hidden)
    result = align(bench, strategy="response-matrix", budget=60, seed=seed)
    far = result.before.profiles["far"]
    assert FlagKind.CLIPPED_BY_SENSOR in far.flags or not result.before.ok
    assert result.in_spec, result.reason
    assert bench.truth.in_spec(bench.spec)


@pytest.mark.campaign
@pytest.mark.timeout(1800)
def test_response_matrix_over_a_hundred_seeds():
    """Median of at most 14 looks and 95 % in spec by the truth, from the family's start range."""
    measurements, successes = [], 0
    for seed in range(100):
        bench = benches.collimator(seed=seed)
        result = align(bench, strategy="response-matrix", budget=60, seed=seed)
        good = bench.truth.in_spec(bench.spec)
        successes += good
        measurements.append(result.measurements if good else 60)
    assert np.median(measurements) <= 14
    assert successes >= 95


@pytest.mark.slow
@pytest.mark.parametrize("kind", ["steering", "relay", "focuser"])
def test_other_families_are_aligned_without_a_model(kind):
    """The response matrix needs to know nothing of what stands on the bench."""
    bench = getattr(benches, kind)(seed=1)
    result = align(bench, strategy="response-matrix", budget=40, seed=1)
    assert result.in_spec, result.reason
    assert bench.truth.in_spec(bench.spec)
