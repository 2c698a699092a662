"""Any axes and any term: light coupled into a fibre, a single number with a top."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.alignment import align
from autoalign.merit import QuantityTerm, Spec
from autoalign.search.axis_by_axis import AxisByAxis
from autoalign.search.bayesian import Bayesian
from autoalign.search.cobyqa import Cobyqa
from autoalign.search.dfo_ls import DfoLs
from autoalign.search.nelder_mead import NelderMead
from autoalign.search.response_matrix import ResponseMatrix


def coupling_bench(make_bench, count, seed):
    """Return a bench that reads power exp(−|u − target|²/6²), within 5 % of its top to reach."""
    bench = make_bench(count=count, residuals=1, seed=seed, noise=0.003)
    target = np.random.default_rng(seed + 50).uniform(-4, 4, count)

    def power(x):
        return {"power": float(np.exp(-np.sum((x - target) ** 2) / 36.0))}

    bench.detectors["meter"].function = power
    bench.spec = Spec((QuantityTerm("meter.power", 0.05, target=1.0),))
    return bench, power


@pytest.mark.slow
@pytest.mark.parametrize("kind", [ResponseMatrix, AxisByAxis, NelderMead, Cobyqa, DfoLs])
@pytest.mark.parametrize("seed", [0, 1])
def test_two_axes_are_brought_to_the_top(make_bench, kind, seed):
    """No layout, no planes, one reading: in spec by the noise-free power."""
    bench, power = coupling_bench(make_bench, 2, seed)
    result = align(bench, strategy=kind(), budget=60, seed=seed)
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94


@pytest.mark.slow
def test_one_axis_is_brought_to_the_top_by_bayesian_search(make_bench):
    """The Gaussian process finds the top of a curve in a few looks."""
    bench, power = coupling_bench(make_bench, 1, 0)
    result = align(bench, strategy=Bayesian(first=3), budget=14, seed=0)
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(5))
def test_four_axes_are_brought_to_the_top_by_the_response_matrix(make_bench, seed):
    """Where the top is flat the slope vanishes; the search still arrives."""
    bench, power = coupling_bench(make_bench, 4, seed)
    result = align(bench, strategy=ResponseMatrix(), budget=100, seed=seed)
    assert result.in_spec, result.reason
    assert power(np.array(list(result.positions.values())))["power"] > 0.94
