"""The first step of an axis in the wiring check."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.check.expectation import first_step
from autoalign.model.fit import readings_from_profiles
from autoalign.model.predict import BenchModel


@pytest.mark.parametrize("grain", [None, 1 / 60])
def test_first_step_is_tiny(make_bench, grain):
    """No step of the check exceeds a fiftieth of the travel, however coarse the axis is."""
    bench = make_bench(6)
    axes = [a if grain is None else replace(a, resolution=grain * a.travel) for a in bench.axes]
    model = BenchModel(bench.nominal, axes)
    start = 0.2 * bench.start
    look = readings_from_profiles(model.planes, start, bench.look(start).profiles)
    for axis in axes:
        assert 0 < first_step(model, start, axis.name, look) <= axis.travel / 50


def test_first_step_shows_clearly(make_bench):
    """Where the travel allows it, a step changes the readings by a dozen uncertainties or more."""
    bench = make_bench(6)
    model = BenchModel(bench.nominal, bench.axes)
    start = 0.2 * bench.start
    look = readings_from_profiles(model.planes, start, bench.look(start).profiles)
    step = first_step(model, start, "mirror.tilt", look)
    moved = start + step * np.array([a.name == "mirror.tilt" for a in bench.axes])
    after = readings_from_profiles(model.planes, moved, bench.look(moved).profiles)
    change = [
        (after.moments[k][m] - look.moments[k][m]) / np.sqrt(2 * look.covariance[k][m, m])
        for k, used in look.used.items()
        for m in used
        if m < 5
    ]
    assert np.linalg.norm(change) > 8
