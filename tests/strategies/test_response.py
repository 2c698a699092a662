"""The learnt response matrix and its step, against what is known exactly."""

from __future__ import annotations

import numpy as np
import pytest
from hypothesis import example, given
from hypothesis import strategies as st

from autoalign.strategies.axis_by_axis import pair
from autoalign.strategies.descent import ResponseEstimate

FREE = np.full(3, 1e6)


@given(st.integers(0, 10_000))
def test_forward_differences_without_noise_give_the_matrix_exactly(seed):
    """n independent pushes of a linear bench determine J."""
    rng = np.random.default_rng(seed)
    truth = rng.standard_normal((5, 3)) * 10
    response = ResponseEstimate(5, 3, wander=0.0)
    for axis in range(3):
        step = np.zeros(3)
        step[axis] = rng.choice([-1, 1]) * rng.uniform(0.5, 2)
        response.learn(step, truth @ step, 0.0)
    np.testing.assert_allclose(response.matrix, truth, rtol=1e-5, atol=1e-5)
    assert response.known.all()


def test_a_round_covariance_without_noise_is_broydens_update():
    """J + (Δr − JΔu)Δuᵀ/ΔuᵀΔu (Broyden, Math. Comp. 19, 1965, eq. for the "good" method)."""
    rng = np.random.default_rng(1)
    start, step, change = rng.standard_normal((4, 3)), rng.standard_normal(3), np.arange(4.0)
    response = ResponseEstimate(4, 3, wander=0.0)
    response.matrix = start.copy()
    response.covariance = np.eye(3)
    response.learn(step, change, 0.0)
    broyden = start + np.outer(change - start @ step, step) / (step @ step)
    np.testing.assert_allclose(response.matrix, broyden, rtol=1e-9)


def test_noise_makes_the_estimate_careful():
    """A change within the noise hardly alters a known matrix."""
    response = ResponseEstimate(2, 2, wander=0.0)
    response.matrix, response.covariance = np.eye(2), 0.01 * np.eye(2)
    response.learn(np.array([0.1, 0.0]), np.array([1.0, 0.0]), noise=1.0)
    np.testing.assert_allclose(response.matrix, np.eye(2), atol=1e-3)


def test_a_change_is_as_uncertain_as_two_looks():
    """The gain is P u/(uᵀP u + 2 noise²), as of a Kalman filter: a change has the noise of both."""
    response = ResponseEstimate(1, 2, wander=0.0)
    response.covariance = 0.3 * np.eye(2)
    response.learn(np.array([2.0, 0.0]), np.array([5.0]), noise=0.7)
    gain = 0.3 * 2 / (0.3 * 4 + 2 * 0.49)
    assert response.matrix[0] == pytest.approx([5.0 * gain, 0.0])
    assert response.covariance[0, 0] == pytest.approx(0.3 * (1 - 2 * gain))


@pytest.mark.parametrize(("length", "counted"), [(0.5, 0.25), (3.0, 1.0)])
def test_what_is_known_for_sure_is_learnt_again_over_long_steps(length, counted):
    """A hundredth of the matrix' rms may change over a step of 1, as much over a longer one."""
    response = ResponseEstimate(1, 2)
    response.matrix, response.covariance = np.array([[6.0, 8.0]]), np.zeros((2, 2))
    step = np.array([length, 0.0])
    response.learn(step, np.array([6.0 * length + 1.0]), noise=0.05)
    doubt = 0.01**2 * 50 * counted
    gain = doubt * length / (doubt * length**2 + 2 * 0.05**2)
    assert response.matrix[0] == pytest.approx([6.0 + gain, 8.0])


def test_an_axis_that_was_never_pushed_is_never_stepped():
    """Unknown columns are not used, however tempting the residual."""
    response = ResponseEstimate(3, 3)
    response.learn(np.array([1.0, 0.0, 0.0]), np.array([10.0, 0.0, 0.0]), 0.01)
    step = response.step(np.array([5.0, 5.0, 5.0]), 0.0, -FREE, FREE)
    assert step[0] == pytest.approx(-0.5, rel=1e-3)
    np.testing.assert_allclose(step[1:], 0.0, atol=1e-3)
    assert list(response.known) == [True, False, False]


def test_a_step_stops_at_the_bounds_and_the_rest_makes_up_for_it():
    """With one axis at its bound the others are solved again for what is left."""
    response = ResponseEstimate(2, 2, wander=0.0)
    response.matrix, response.covariance = np.array([[1.0, 1.0], [0.0, 1e-3]]), np.zeros((2, 2))
    step = response.step(np.array([4.0, 0.0]), 0.0, np.array([-1.0, -9.0]), np.array([1.0, 9.0]))
    assert np.all(step >= [-1.0, -9.0])
    assert step.sum() == pytest.approx(-4.0, abs=1e-3)


def test_damping_shortens_the_step():
    """More damping, shorter step, same direction of improvement."""
    response = ResponseEstimate(2, 2, wander=0.0)
    response.matrix, response.covariance = np.diag([10.0, 1.0]), np.zeros((2, 2))
    r = np.array([10.0, 1.0])
    lengths = [np.linalg.norm(response.step(r, d, -FREE[:2], FREE[:2])) for d in (0.0, 1.0, 10.0)]
    assert lengths[0] > lengths[1] > lengths[2] > 0


@given(st.integers(0, 10_000), st.sampled_from([0.0, 0.3, 4.0]))
def test_a_step_is_the_best_for_all_that_the_response_may_be(seed, damping):
    """(ĴᵀĴ + m P + damping² 1) u = −Ĵᵀr: the expected square, by its normal equations.

    The expectation of |r + J u|² over rows of J with the covariance P is |r + Ĵu|² + m uᵀPu
    (derived here).
    """
    rng = np.random.default_rng(seed)
    response = ResponseEstimate(5, 3)
    response.matrix = rng.standard_normal((5, 3)) * 10
    spread = rng.standard_normal((3, 3)) * 3
    response.covariance = spread @ spread.T
    r = rng.standard_normal(5) * 20
    normal = response.matrix.T @ response.matrix + 5 * response.covariance
    expected = -np.linalg.solve(normal + damping**2 * np.eye(3), response.matrix.T @ r)
    np.testing.assert_allclose(response.step(r, damping, -FREE, FREE), expected, rtol=1e-6)


def test_axes_are_paired_with_the_symptom_that_they_govern():
    """Authority counts against the strongest axis, not in absolute size; none is paired twice."""
    slopes = np.array([[16.0, 16.0, 0.0], [0.8, 0.5, 0.0], [0.1, 0.1, 2.0]])
    assert pair(slopes) == [1, 0, 2]


def test_more_axes_than_symptoms_share_them():
    """Every axis gets a symptom, also where there are too few."""
    symptoms = pair(np.array([[1.0, 2.0, 3.0, 4.0]]))
    assert symptoms == [0, 0, 0, 0]


@given(
    st.lists(
        st.tuples(st.sampled_from([1.0, -1.0, 0.3, 1e-3, 1e-6]), st.integers(0, 2)), max_size=30
    ),
    st.sampled_from([0.0, 1e-8, 1e-3, 1.0]),
)
@example([(1.0 - 6e-16, 0)], 0.0)
def test_pushes_that_change_nothing_leave_a_matrix_that_still_gives_a_step(pushes, noise):
    """In the dark nothing changes, to many digits; what is left of the covariance stays one.

    A detector that states no noise, and a push one part in 10¹⁵ short, left it below 0.
    """
    response = ResponseEstimate(1, 3)
    for size, axis in pushes:
        response.learn(size * np.eye(3)[axis], np.array([noise * size]), noise)
    assert np.linalg.eigvalsh(response.covariance)[0] > -1e-9
    assert np.all(np.isfinite(response.step(np.array([50.0]), 0.0, -FREE, FREE)))
