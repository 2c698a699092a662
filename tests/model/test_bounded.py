"""Least squares within bounds: at the minimum, by one function, which is scipy's."""

from __future__ import annotations

import ast
import itertools
import subprocess
import sys
from collections.abc import Iterator
from pathlib import Path

import numpy as np
import pytest
from hypothesis import given
from hypothesis import strategies as st

import autoalign
from autoalign.model.bounded import bounded_least_squares
from autoalign.model.target import Forecast, bounded_step
from autoalign.strategies.descent import ResponseEstimate

HOME = Path("model/bounded.py")
SOLVERS = {f"linalg.{name}" for name in ("lstsq", "solve", "inv", "qr", "svd")}
BOUNDED = {"lsq_linear", "least_squares", "nnls"}
LIMITS = {"clip", "lower", "upper", "lb", "ub", "bounds"}

PLANTED = {
    "by hand": (
        "def step(a, b, low, high):\n"
        "    x = np.linalg.lstsq(a, b, rcond=None)[0]\n"
        "    return np.clip(x, low, high)\n"
    ),
    "by fixing what runs against its limit": (
        "class Response:\n"
        "    def step(self, lower, upper):\n"
        "        while free.any():\n"
        "            step[free] = np.linalg.lstsq(system[:, free], rest)[0]\n"
        "            outside = free & ((step < lower) | (step > upper))\n"
    ),
    "a second way to scipy's": (
        "def step(a, b, low, high):\n"
        "    from scipy.optimize import lsq_linear\n"
        "    return lsq_linear(a, b, (low, high)).x\n"
    ),
}


def _names(tree: ast.AST) -> Iterator[str]:
    for node in ast.walk(tree):
        if isinstance(node, ast.Name):
            yield node.id
        elif isinstance(node, ast.Attribute):
            yield node.attr
            within = node.value
            yield f"{getattr(within, 'attr', getattr(within, 'id', ''))}.{node.attr}"
        elif isinstance(node, (ast.arg, ast.keyword)):
            yield node.arg or ""
        elif isinstance(node, ast.alias):
            yield node.name


def offences(source: str) -> list[str]:
    """Functions that keep a least squares solution within bounds, or ask scipy for one."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, (ast.FunctionDef, ast.AsyncFunctionDef)):
            names = set(_names(node))
            if names & BOUNDED or (names & SOLVERS and names & LIMITS):
                found.append(node.name)
    return found


def test_bounded_least_squares_is_solved_in_one_place():
    """No other function of the library clips a solution, or calls a bounded solver."""
    root = Path(autoalign.__file__).parent
    places = {
        p.relative_to(root): offences(p.read_text(encoding="utf-8"))
        for p in sorted(root.rglob("*.py"))
    }
    assert places.pop(HOME) == ["bounded_least_squares"]
    assert {str(p): names for p, names in places.items() if names} == {}


@pytest.mark.parametrize("source", PLANTED.values(), ids=PLANTED.keys())
def test_a_second_solver_would_be_noticed(source):
    """Each way to write another one is an offence."""
    assert offences(source) == ["step"]


def test_the_solver_is_loaded_only_where_a_bound_counts():
    """``import autoalign`` and an aim inside the limits do without scipy."""
    code = (
        "import sys, numpy as np, autoalign, autoalign.strategies.model\n"
        "from autoalign.model.bounded import bounded_least_squares as solve\n"
        "solve(np.eye(2), np.ones(2), -2 * np.ones(2), 2 * np.ones(2))\n"
        "assert 'scipy' not in sys.modules\n"
        "solve(np.eye(2), np.ones(2), -np.ones(2), np.ones(2) / 2)\n"
        "assert 'scipy.optimize' in sys.modules\n"
    )
    subprocess.run([sys.executable, "-c", code], check=True)


def _system(rng: np.random.Generator, axes: int) -> tuple[np.ndarray, np.ndarray]:
    """Axes in mm and rad, some of which act nearly alike."""
    a = rng.standard_normal((axes + 1, axes))
    a = (a + rng.uniform(0, 3) * rng.standard_normal((axes + 1, 1))) * 10 ** rng.uniform(
        -2, 3, axes
    )
    return a, 10 * rng.standard_normal(axes + 1)


def _by_trying_all(a, b, lower, upper):
    """Smallest |A x − b|² over every choice of which unknowns stand at which bound."""
    best = np.inf
    for choice in itertools.product((0, -1, 1), repeat=len(lower)):
        at = np.array(choice)
        x, free = np.where(at < 0, lower, upper), at == 0
        if free.any():
            x[free] = np.linalg.lstsq(a[:, free], b - a[:, ~free] @ x[~free], rcond=None)[0]
        if np.all((x >= lower) & (x <= upper)):
            best = min(best, float(np.sum((a @ x - b) ** 2)))
    return best


@given(st.integers(0, 2**32 - 1), st.integers(1, 4), st.sampled_from([0.02, 0.3, 1.0, 3.0]))
def test_no_choice_of_axes_at_their_limits_is_better(seed, axes, room):
    """In boxes from tight to wide, the origin inside or not."""
    rng = np.random.default_rng(seed)
    a, b = _system(rng, axes)
    size = np.abs(np.linalg.lstsq(a, b, rcond=None)[0])
    lower = -room * size * rng.uniform(-0.3, 1.0, axes)
    upper = lower + room * size * rng.uniform(0.0, 1.5, axes)
    x = bounded_least_squares(a, b, lower, upper)
    assert np.all((x >= lower) & (x <= upper))
    cost = float(np.sum((a @ x - b) ** 2))
    assert cost <= _by_trying_all(a, b, lower, upper) * (1 + 1e-9) + 1e-12 * float(b @ b)


@given(st.integers(0, 2**32 - 1), st.integers(2, 6))
def test_in_a_tight_box_no_axis_wants_to_leave_its_limit(seed, axes):
    """Karush–Kuhn–Tucker: the slope is 0 inside, and points out of the box at each limit.

    (J. Nocedal and S. Wright, Numerical Optimization, section 12.3.)
    """
    rng = np.random.default_rng(seed)
    a, b = _system(rng, axes)
    half = 0.1 * np.abs(np.linalg.lstsq(a, b, rcond=None)[0])
    x = bounded_least_squares(a, b, -half, half)
    slope = a.T @ (a @ x - b) / (np.linalg.norm(a, axis=0) * np.linalg.norm(b))
    assert np.all(slope[x > -half] < 1e-8)
    assert np.all(slope[x < half] > -1e-8)


def test_bounds_that_meet_hold_an_unknown_and_infinite_ones_do_not():
    """The others are solved for what is left."""
    a, b = np.array([[1.0, 1.0], [0.0, 1.0]]), np.array([5.0, 1.0])
    lower, upper = np.array([2.0, -np.inf]), np.array([2.0, np.inf])
    np.testing.assert_allclose(bounded_least_squares(a, b, lower, upper), [2.0, 2.0])
    np.testing.assert_allclose(bounded_least_squares(a, b, lower, lower.clip(-3)), [2.0, -3.0])


def test_of_equal_answers_the_shortest_is_taken():
    """Two axes that do the same share the way."""
    step = bounded_least_squares(np.ones((1, 2)), np.ones(1), -np.ones(2), np.ones(2))
    np.testing.assert_allclose(step, [0.5, 0.5])


@pytest.mark.parametrize("solve", ["aim", "response"])
def test_an_axis_at_its_limit_is_let_go_again(solve):
    """Once fixed there it stayed, so that the step was not the best within the limits."""
    rng = np.random.default_rng(0)
    worse = 0
    for _ in range(20):
        slope, residual = _system(rng, 4)
        residual = -residual
        half = 0.2 * np.abs(np.linalg.lstsq(slope, residual, rcond=None)[0])
        if solve == "aim":
            forecast = Forecast(residual, slope, np.zeros((5, 1)))
            step = bounded_step(forecast, np.zeros(4), np.zeros(4), -half, half)
        else:
            response = ResponseEstimate(5, 4)
            response.matrix, response.covariance = slope, np.zeros((4, 4))
            step = response.step(residual, 0.0, -half, half)
        least = _by_trying_all(slope, -residual, -half, half)
        worse += float(np.sum((residual + slope @ step) ** 2)) > least * (1 + 1e-9)
    assert worse == 0
