"""Many alignments at once: the same physics, the same spec, and every array library alike."""

from __future__ import annotations

from typing import Any

import numpy as np
import pytest
from autoalign_simulators import collimator

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile
from autoalign.benchmark.batch import BatchBench, BatchOutcome, batch_align
from autoalign.benchmark.batch_case import Case
from autoalign.core.errors import UsageError
from autoalign.optics.ideal import plane_moments
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.spec.terms import Spec

PLAN = collimator.plan()
MOVED = {
    "source.x": 0.3, "source.y": -0.2, "source.z": 1.0, "mirror.tip": 2e-3, "mirror.tilt": -1e-3,
    "mirror.clocking": 5e-3,
}  # fmt: skip


def bench(layout: Layout = PLAN.layout, spec: Spec = PLAN.spec, **more: Any) -> BatchBench:
    """The demo's collimator, or another with its axes."""
    return BatchBench(layout, spec, collimator.START, **more)


def under_filled() -> tuple[Layout, Spec]:
    """A Gaussian source whose light does not reach the mirror's edge."""
    optic = OffAxisParaboloid(150.0, 35.0, 60.0)
    layout = collimator_layout(optic, 0.02, 0.05, 660e-6, emission="gaussian")
    return layout, Spec.collimation(source_divergence=0.02 / 150, waist=150.0)


@pytest.mark.parametrize("layout", [PLAN.layout, under_filled()[0]], ids=["overfilled", "inside"])
@pytest.mark.parametrize("moved", [{}, MOVED], ids=["aligned", "misaligned"])
def test_moments_are_those_of_the_exact_trace(layout: Layout, moved: dict[str, float]) -> None:
    """Two codes that share no ray agree to 0.1 % of the width."""
    assert isinstance(layout.light, Source)
    case = Case(bench(layout), np)
    x = np.array([[moved.get(a, 0.0) for a in case.axes]])
    seen = case.moments(np.zeros((1, case.unknowns)), x)[0].reshape(2, 5)
    exact = plane_moments(layout, place(layout, moved))
    for row, plane in zip(seen, ("near", "far"), strict=True):
        width = np.sqrt(float(exact[plane]["xx"]))
        for k, name in enumerate(("x", "y", "xx", "yy", "xy")):
            scale = width if k < 2 else 2 * width**2
            assert abs(row[k] - float(exact[plane][name])) < 1e-3 * scale, (plane, name)


def test_terms_are_those_of_the_spec() -> None:
    """Deviations and residuals in tolerances are what the library's spec makes of the moments."""
    case = Case(bench(), np)
    x = np.array([[MOVED[a] for a in case.axes]])
    readings = case.moments(np.zeros((1, case.unknowns)), x)
    profiles = {
        name: BeamProfile(
            np.concatenate([row, np.zeros(4)]), np.diag(np.full(9, 1e-18)), 1.0, 0.0, 0.0, 0.0, 1.0,
            plane=name,
        )
        for name, row in zip(("near", "far"), readings[0].reshape(2, 5), strict=True)
    }  # fmt: skip
    distances = {p.name: p.distance for p in PLAN.layout.planes}
    verdict = PLAN.spec.evaluate(combine(profiles, distances))
    expected = [abs(t.deviation) / t.tolerance for t in verdict.terms]
    assert case.deviations(readings)[0] == pytest.approx(expected, rel=1e-6)
    assert case.residuals(readings)[0] == pytest.approx(verdict.residuals, rel=1e-6)


def outcome(trials: int = 24, **more: Any) -> BatchOutcome:
    """Draw and align a few."""
    return batch_align(bench(), trials, np.random.default_rng(5), **more)


def test_most_are_in_spec_after_three_measurements_and_few_claims_are_false() -> None:
    """As of single runs of the model strategy on such benches (medians of 3)."""
    found = outcome()
    assert found.claimed.all()
    assert np.median(found.measurements) in (3, 4)
    assert np.count_nonzero(found.claimed & ~found.true) <= 2


def test_the_outcome_does_not_depend_on_the_chunk() -> None:
    """The same benches and noise are drawn, however many are in memory at once."""
    whole, parts = outcome(10, chunk=100), outcome(10, chunk=3)
    assert np.array_equal(whole.measurements, parts.measurements)
    assert np.array_equal(whole.true, parts.true)
    padded = outcome(10, chunk=4, compiled=lambda function: function)
    assert np.array_equal(whole.measurements, padded.measurements)


def test_nothing_but_the_array_standard_is_used() -> None:
    """The strict library of the standard refuses all that is not in it."""
    strict = pytest.importorskip("array_api_strict")
    found, expected = outcome(4, budget=3, xp=strict), outcome(4, budget=3)
    assert np.array_equal(found.measurements, expected.measurements)


def test_without_noise_and_wrong_light_nothing_is_claimed_falsely() -> None:
    """A guard band of no noise is that of the screens alone; claims then hold."""
    found = batch_align(bench(noise=1e-5), 16, np.random.default_rng(2))
    assert not np.any(found.claimed & ~found.true)


def test_what_it_cannot_do_is_said() -> None:
    """Another layout, another spec, or no trials."""
    with pytest.raises(UsageError, match="at least 1"):
        batch_align(bench(), 0, np.random.default_rng(1))
    only = Spec(PLAN.spec.terms[:2])
    with pytest.raises(UsageError, match="pointing, divergence and ellipticity"):
        batch_align(bench(spec=only), 1, np.random.default_rng(1))
