"""Many simulated alignments at once, for failure rates that no loop over runs can measure.

The model strategy's way in plain array code: moments of a true bench with noise, a fit of the
unknowns by maximum a posteriori, the position at which the spec should be met, and again. Every
array has the trials as its first axis and only what the array API standard names is used, so that
the same code runs on NumPy and on an accelerator's arrays (``xp``). What it leaves out against a
real run: searching for lost light, wrong wires and cameras, backlash, the guard of moves, and the
exact limits of a step (positions are cut at the limits).

The true bench is not the model: steps are rounded, the light is uneven and the mirror's figure is
wrong in ways that the fit has no unknown for.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.benchmark.batch_case import HIDDEN, READINGS, STEP, Array, BatchBench, Case
from autoalign.core.errors import UsageError

__all__ = ["BatchBench", "BatchOutcome", "batch_align"]

Places = npt.NDArray[np.intp]

FIRST, LATER = 4, 2
"""Steps of the fit to the first measurement, and to it and more: those begin close by."""
LEAST_MOTION = 2e-3
"""Weight of motion against residuals where the terms leave it open."""


@dataclass(frozen=True, slots=True)
class BatchOutcome:
    """What came of each trial.

    ``measurements`` (trials,) until in spec was claimed, 0 where it never was; ``claimed`` and
    ``true`` (trials,) whether it was claimed, and is so; ``worst`` (trials,) the largest true
    deviation at the end in tolerances.
    """

    measurements: npt.NDArray[np.int64]
    claimed: npt.NDArray[np.bool_]
    true: npt.NDArray[np.bool_]
    worst: npt.NDArray[np.float64]


def batch_align(
    bench: BatchBench,
    trials: int,
    rng: np.random.Generator,
    *,
    budget: int = 8,
    xp: Any = np,
    compiled: Callable[[Any], Any] | None = None,
    chunk: int = 1000,
) -> BatchOutcome:
    """Align ``trials`` benches, each drawn by itself.

    Parameters
    ----------
    bench
        What is aligned.
    trials
        How many; the same generator draws the same benches and noise on every library, whatever
        the chunk.
    rng
        Draws misalignments, errors and noise.
    budget
        Measurements that a trial may take.
    xp
        Array library that follows the array API standard, in double precision.
    compiled
        Compiles a function of arrays for the accelerator, where the library has such a thing.
    chunk
        Trials that are in memory at the same time.
    """
    if trials < 1 or budget < 1 or chunk < 1:
        raise UsageError(
            f"batch: {trials} trials, {budget} measurements, {chunk} at a time; each must be at "
            "least 1."
        )
    case = Case(bench, xp, compiled)
    a = len(case.axes)
    truth = rng.normal(size=(trials, case.unknowns)) * _host(case.sigma)
    truth[:, :a] = rng.uniform(-1, 1, (trials, a)) * _host(case.size)
    light = HIDDEN["uneven"] * rng.normal(size=(trials, 2))
    figure = HIDDEN["figure"] * rng.normal(size=(trials, 2))
    x, phi = np.zeros((trials, a)), np.zeros((trials, case.unknowns))
    places = np.zeros((budget, trials, a))
    readings = np.zeros((budget, trials, 2 * READINGS))
    measurements = np.zeros(trials, dtype=np.int64)
    worst = np.full(trials, np.inf)
    left = np.arange(trials)
    for count in range(budget):
        noise = rng.normal(size=(trials, 2 * READINGS))
        good = np.zeros(len(left), dtype=bool)
        for block, full in _blocks(left, chunk, padded=compiled is not None):
            hidden = {"light": case.of(light[full]), "figure": case.of(figure[full])}
            seen, risk, off = _measured(
                case, case.of(truth[full]), case.of(x[full]), case.of(noise[full]), hidden
            )
            n = len(block)
            places[count, block], readings[count, block] = x[block], _host(seen)[:n]
            worst[block] = _host(off)[:n]
            good[np.searchsorted(left, block)] = _host(risk)[:n] <= 1
        measurements[left[good]] = count + 1
        left = left[~good]
        if not len(left) or count + 1 == budget:
            break
        for block, full in _blocks(left, chunk, padded=compiled is not None):
            past = [
                (case.of(places[k][full]), case.of(readings[k][full])) for k in range(count + 1)
            ]
            found = _fit(case, case.of(phi[full]), past, FIRST if count == 0 else LATER)
            ahead = _aim(case, found, case.of(x[full]))
            phi[block], x[block] = _host(found)[: len(block)], _host(ahead)[: len(block)]
    return BatchOutcome(measurements, measurements > 0, worst <= 1, worst)


def _blocks(left: Places, chunk: int, *, padded: bool) -> Iterator[tuple[Places, Places]]:
    """Yield which trials come next, and the same filled up to whole chunks where ``padded``.

    A compiled function is made anew for every size of its arrays.
    """
    for first in range(0, len(left), chunk):
        block = left[first : first + chunk]
        short = chunk - len(block)
        filled = np.concatenate([block, np.full(short, block[0])]) if padded and short else block
        yield block, filled


def _measured(
    case: Case, truth: Array, x: Array, noise: Array, hidden: Mapping[str, Array]
) -> tuple[Array, Array, Array]:
    """Return readings (trials, 10), the worst term with its guard band, and the worst true one."""
    xp = case.xp
    readings = case.moments(truth, x, **hidden)
    readings = readings + noise * case.u_noise(readings)
    judged = case.deviations(readings) + case.bench.spec.guard * case.u_terms(readings)
    # The true beam is seen by screens without errors of their own.
    kept = np.ones((1, case.unknowns))
    kept[0, case.first["fiducial"] : case.first["rho"]] = 0.0
    true = case.deviations(case.moments(truth * case.of(kept), x, **hidden))
    return readings, xp.max(judged, axis=1), xp.max(true, axis=1)


def _fit(case: Case, phi: Array, seen: list[tuple[Array, Array]], rounds: int) -> Array:
    """Return the most probable unknowns (trials, unknowns), in units of their priors."""
    xp, m = case.xp, case.unknowns

    def cost(at: Array) -> Array:
        total = xp.sum(at**2, axis=1)
        for (x, readings), u in zip(seen, sigmas, strict=True):
            miss = (readings - case.moments(at * case.sigma[None, :], x)) / u
            total = total + xp.sum(miss**2, axis=1)
        return total

    # What no unknown explains: a part of the beam's width in every reading.
    sigmas = [xp.sqrt(case.u_noise(r) ** 2 + (4 * case.u_noise(r)) ** 2) for _, r in seen]
    eye = case.of(np.eye(m))
    for _ in range(rounds):
        normal = eye[None, ...] + 0 * phi[:, :1, None]
        goal = -phi
        for (x, readings), u in zip(seen, sigmas, strict=True):
            now, slopes = _slopes(case, phi, x)
            rows = slopes / u[:, None, :]
            miss = (readings - now) / u
            normal = normal + xp.matmul(rows, xp.matrix_transpose(rows))
            goal = goal + xp.sum(rows * miss[:, None, :], axis=-1)
        step = xp.linalg.solve(normal, goal[:, :, None])[:, :, 0]
        tried = [phi, phi + 0.3 * step, phi + step]
        costs = xp.stack([cost(t) for t in tried], axis=0)
        costs = xp.where(xp.isfinite(costs), costs, xp.asarray(1e30, dtype=xp.float64))
        best = xp.argmin(costs, axis=0)[:, None]
        phi = xp.where(best == 2, tried[2], xp.where(best == 1, tried[1], phi))
    return phi


def _slopes(case: Case, phi: Array, x: Array) -> tuple[Array, Array]:
    """Return readings (trials, 10) and their slopes (trials, unknowns, 10) per prior."""
    xp = case.xp
    trials, m = phi.shape
    now = case.moments(phi * case.sigma[None, :], x)
    varied = phi[:, None, :] + STEP * case.of(np.eye(m))[None, ...]
    many = xp.reshape(varied, (trials * m, m)) * case.sigma[None, :]
    places = xp.reshape(xp.broadcast_to(x[:, None, :], (trials, m, x.shape[1])), (trials * m, -1))
    there = xp.reshape(case.moments(many, places), (trials, m, -1))
    return now, (there - now[:, None, :]) / STEP


def _aim(case: Case, phi: Array, here: Array, rounds: int = 3) -> Array:
    """Return where the residuals should be smallest (trials, axes), rounded to whole steps."""
    xp, a = case.xp, len(case.axes)
    theta = phi * case.sigma[None, :]
    wide = xp.reshape(
        xp.broadcast_to(theta[:, None, :], (theta.shape[0], a, theta.shape[1])),
        (-1, theta.shape[1]),
    )
    x = here
    moves = case.of(np.eye(a)) * (STEP * case.size)[None, :]
    for _ in range(rounds):
        now = case.residuals(case.moments(theta, x))
        many = xp.reshape(x[:, None, :] + moves[None, ...], (-1, a))
        there = xp.reshape(case.residuals(case.moments(wide, many)), (x.shape[0], a, -1))
        slopes = (there - now[:, None, :]) / STEP
        weight = LEAST_MOTION * xp.sqrt(xp.sum(slopes**2, axis=-1))
        normal = xp.matmul(slopes, xp.matrix_transpose(slopes))
        normal = normal + case.of(np.eye(a))[None, ...] * (weight**2)[:, :, None]
        moved = (x - here) / case.size[None, :]
        goal = -xp.sum(slopes * now[:, None, :], axis=-1) - weight**2 * moved
        step = xp.linalg.solve(normal, goal[:, :, None])[:, :, 0] * case.size[None, :]
        x = xp.maximum(xp.minimum(x + step, case.reach[None, :]), -case.reach[None, :])
    grain = case.bench.resolution * case.size[None, :]
    return xp.round(x / grain) * grain


def _host(values: Array) -> npt.NDArray[Any]:
    """Return an array as one of NumPy."""
    return np.asarray(values.get() if hasattr(values, "get") else values)
