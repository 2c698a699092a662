"""The fit: what it recovers, how sure it claims to be, and what a bad frame does to it."""

from __future__ import annotations

import numpy as np
import pytest

from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.diagnosis.estimator import Knowledge
from autoalign.model.fit import fit, readings_from_profiles
from autoalign.model.predict import BenchModel
from autoalign.model.target import SpecForecast
from autoalign.model.unknowns import position_sigma

SIGMA = np.array([5e-4, 5e-4, 1e-3, 2e-6, 2e-6, 1e-5])


def _looks(bench, model, positions):
    return [readings_from_profiles(model.planes, x, bench.look(x).profiles) for x in positions]


@pytest.mark.slow
def test_claimed_uncertainty_covers_the_truth(make_bench):
    """Predicted 95 % intervals of the next residuals cover at least 90 % of them."""
    inside, total = 0, 0
    for seed in range(30):
        bench = make_bench(100 + seed)
        know = Knowledge(bench.nominal, bench.axes, bench.spec)
        know.learn(bench.start, bench.look(bench.start).profiles)
        target = know.aim(bench.start)
        seen = bench.look(target.position)
        z = (seen.verdict.residuals - target.forecast.residual) / target.sigma
        inside += int((np.abs(z) < 1.96).sum())
        total += len(z)
    assert 0.90 <= inside / total <= 0.995


def test_a_fit_of_the_twins_own_readings_finds_them_again(make_bench):
    """With readings of the twin itself, three looks are explained to far below their noise."""
    bench = make_bench(1)
    model = BenchModel(bench.nominal, bench.axes)
    phi = 0.7 * np.random.default_rng(0).normal(size=model.size)
    positions = np.random.default_rng(1).uniform(-0.3, 0.3, (3, 6)) * [1, 1, 3, 4e-3, 4e-3, 0.01]
    measurements = []
    for x, m in zip(positions, model.predict(positions, phi).moments, strict=True):
        cov = np.diag([1e-4, 1e-4, *[1e-2] * 3, *[10.0] * 4])
        profiles = {
            p: BeamProfile(mm, cov, 1.0, 0.0, 0.0, 0.0, 1.0, plane=p)
            for p, mm in zip(model.planes, m, strict=True)
        }
        measurements.append(readings_from_profiles(model.planes, x, profiles))
    found = fit(model, measurements)
    assert found.misfit < phi @ phi
    assert np.abs(model.predict(positions, found.phi).moments[..., :2]
                  - model.predict(positions, phi).moments[..., :2]).max() < 0.05  # fmt: skip


def test_a_bad_frame_loses_its_say(make_bench):
    """One far frame that is 15 mm off gets less weight than any other, and the rest prevails."""
    bench = make_bench(2)
    model = BenchModel(bench.nominal, bench.axes)
    places = bench.start * np.array([[1.0], [0.6], [0.2], [-0.2]])
    measurements = _looks(bench, model, places)
    measurements[2].moments[1][:2] += 15.0
    found = fit(model, measurements, position_sigma=SIGMA)
    assert found.weights[2, 1] == min(found.weights.values())
    assert found.weights[2, 1] < 0.3
    gap = measurements[3].moments[1][:2] - model.predict(places, found.phi).moments[3, 1, :2]
    assert np.abs(gap).max() < 1.0


def test_a_clipped_frame_counts_as_a_direction_only(make_bench):
    """A frame whose beam lies beyond the edge enters with its centroid and a wide uncertainty."""
    bench = make_bench(3)
    profiles = bench.look(bench.start).profiles
    flag = Flag(FlagKind.CLIPPED_BY_SENSOR, "touches the edge", Use.DIRECTION)
    p = profiles["far"]
    profiles["far"] = BeamProfile(
        p.moments, p.covariance, 1.0, 0.0, 0.0, 0.0, 1.0, {flag.kind: flag}, "far"
    )
    look = readings_from_profiles(("near", "far"), bench.start, profiles)
    assert list(look.used[1]) == [0, 1]
    assert look.covariance[1][0, 0] > 2**2


def test_a_missing_plane_is_simply_missing(make_bench):
    """A look with the near plane alone can be fitted, and leaves the far one less certain."""
    bench = make_bench(4)
    model = BenchModel(bench.nominal, bench.axes)
    both = readings_from_profiles(model.planes, bench.start, bench.look(bench.start).profiles)
    near = readings_from_profiles(
        model.planes, bench.start, {"near": bench.look(bench.start).profiles["near"]}
    )
    foresight = SpecForecast(model, bench.spec)
    sigma = []
    for look in (near, both):
        found = fit(model, [look], position_sigma=SIGMA)
        root = foresight.at(bench.start, found.phi).root(found.root)
        sigma.append(np.sqrt((root**2).sum(axis=1))[0])
    assert sigma[0] > 5 * sigma[1]


def test_position_uncertainty_grows_with_play(make_bench):
    """An axis with play is believed less than one without."""
    axis = make_bench(0).axes[0]
    worse = type(axis)("source.x", "mm", -4, 4, 1e-3, backlash=0.05)
    assert position_sigma(worse) > position_sigma(axis) > 0
