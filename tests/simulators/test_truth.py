"""The hidden truth against rendered pictures, against the measuring side, and against itself."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.collimator import simulate
from autoalign_simulators.truth import Truth

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile

HIDDEN = {"source.x": 0.6, "source.y": -0.4, "source.z": 1.5, "mirror.clocking": 6e-3}


def picture_moments(image: np.ndarray, pitch: float) -> np.ndarray:
    """Return x, y, xx, yy, xy of a picture, mm, y upwards, zero in the middle."""
    row, column = np.indices(image.shape, dtype=float)
    x = (column - (image.shape[1] - 1) / 2) * pitch
    y = -(row - (image.shape[0] - 1) / 2) * pitch
    w = image / image.sum(dtype=float)
    mx, my = (w * x).sum(), (w * y).sum()
    x, y = x - mx, y - my
    return np.array([mx, my, (w * x * x).sum(), (w * y * y).sum(), (w * x * y).sum()])


@pytest.mark.parametrize("plane", ["near", "far"])
def test_rendered_moments_are_the_exact_ones(plane: str) -> None:
    """The picture without noise has the moments of the exact trace: 2 µm, 2e-4 of the width."""
    simulation = simulate(3, hidden=HIDDEN, screens=False, stray=False, noise=False, axes=False)
    camera = simulation.detectors[plane]
    image = camera.rate(0.0).astype(float)
    if plane == "far":  # seen from behind
        image = image[:, ::-1]
    seen = picture_moments(image, camera.traits.pitch)
    exact = simulation.truth.moments()[plane]
    assert seen[:2] == pytest.approx(exact[:2], abs=2e-3)
    assert seen[2:5] == pytest.approx(exact[2:5], abs=4e-4 * exact[2])


def test_quality_is_what_the_measuring_side_makes_of_the_same_moments() -> None:
    """Two independent ways from moments to pointing, divergence and stretch agree."""
    truth = simulate(3, hidden=HIDDEN).truth
    parameters = truth.parameters()
    profiles = {
        p: BeamProfile(m, np.zeros((9, 9)), 1.0, 0.0, 0.0, 0.0, 1.0, plane=p)
        for p, m in truth.moments().items()
    }
    other = combine(profiles, parameters.distances)
    for name in parameters.names:
        if not name.endswith("power"):
            assert parameters[name] == pytest.approx(other[name], rel=1e-9, abs=1e-12), name


@pytest.mark.slow
def test_quadrature_has_converged() -> None:
    """Twice the density changes no quantity by more than a hundredth of its tolerance."""
    simulation = simulate(7)
    plain = simulation.truth
    dense = Truth(plain.world, plain.train, plain.planes, 48, 96)
    a, b = plain.parameters(), dense.parameters()
    for name, tolerance in (
        ("pointing_x", 1e-4), ("divergence_xx", 2e-4), ("divergence_yy", 2e-4),
        ("astigmatism_0", 0.0075), ("astigmatism_45", 0.0075),
    ):  # fmt: skip
        assert abs(a[name] - b[name]) < 0.01 * tolerance, name


def test_power_counts_what_the_mirror_catches() -> None:
    """A Gaussian-like far field through a circle: 1 − 20^−(sin θ/NA)² with an edge at sin θ."""
    # NA at 5 % of the far field's maximum: IEC 60793-1-43, from memory.
    truth = simulate(0, ideal=True).truth
    edge = 15 / np.hypot(150, 15)
    assert truth.power() == pytest.approx(1 - 20 ** -((edge / 0.12) ** 2), rel=0.01)


def test_asking_for_other_positions_moves_nothing() -> None:
    """A question "what if" leaves the world as it stands."""
    truth = simulate(5).truth
    before = truth.parameters().values
    truth.parameters({"source.x": 2.0})
    assert np.array_equal(truth.parameters().values, before)
    zero = truth.parameters({})
    assert abs(zero["pointing_x"]) < 3e-5
