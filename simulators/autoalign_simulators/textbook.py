"""Functions of the literature as benches: axes to move, residuals to read, nothing else.

Each is a sum of squares Σ rᵢ²; the detector reads the residuals, the spec asks for all of them to
be small, and the merit is √(Σ rᵢ²/n) over the tolerance. Methods that use only the order of values
(Nelder–Mead, CMA-ES) do on it what they do on the function itself.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError
from autoalign.core.interfaces import Reading
from autoalign.spec.terms import QuantityTerm, Spec, Verdict
from autoalign_simulators.motors import Motor, MotorTraits
from autoalign_simulators.simulated_stage import SimulatedStage

__all__ = ["FUNCTIONS", "Function", "FunctionTruth", "bench_of"]

Floats = npt.NDArray[np.float64]

TOLERANCE = 1e-3
"""Largest residual that is in spec."""

_SPEED = 1e3


@dataclass(frozen=True, slots=True)
class Function:
    """One function.

    Parameters
    ----------
    residuals
        x (n,) to residuals (m,).
    start
        Where a search begins: for seed 0 exactly, for others off by ``scatter`` (standard
        deviation).
    best
        Where the residuals are zero.
    half
        The axes reach from −half to half.
    """

    residuals: Callable[[Floats], Floats]
    start: tuple[float, ...]
    best: tuple[float, ...]
    half: float = 5.0
    scatter: float = 0.3


def _rosenbrock(x: Floats) -> Floats:
    """Return residuals of H. H. Rosenbrock, Comput. J. 3, 175 (1960), chained beyond two axes."""
    return np.concatenate([10 * (x[1:] - x[:-1] ** 2), 1 - x[:-1]])


def _ellipsoid(x: Floats) -> Floats:
    """Return residuals of an ellipsoid with axis ratio 1000, as of the BBOB test bed."""
    return np.asarray(x * 10 ** (3 * np.arange(len(x)) / (len(x) - 1)))


def _rastrigin(x: Floats) -> Floats:
    """Return residuals of Rastrigin's function, Σ x² + 10 (1 − cos 2πx)."""
    return np.asarray(np.sqrt(np.maximum(x * x + 10 * (1 - np.cos(2 * np.pi * x)), 0.0)))


FUNCTIONS: Mapping[str, Function] = {
    "rosenbrock-2": Function(_rosenbrock, (-1.2, 1.0), (1.0, 1.0), scatter=0.1),
    "rosenbrock-5": Function(_rosenbrock, (-1.2, 1.0, -1.2, 1.0, -1.2), (1.0,) * 5, scatter=0.1),
    "ellipsoid-5": Function(_ellipsoid, (2.0,) * 5, (0.0,) * 5),
    "rastrigin-2": Function(_rastrigin, (2.3, -1.7), (0.0, 0.0), scatter=1.0),
}
"""By name; the number is that of the axes."""


class _Residuals:
    """A detector that reads the residuals where the axes are."""

    name, plane = "function", ""

    def __init__(self, truth: FunctionTruth) -> None:
        self._truth = truth

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return ``count`` readings, each begun at or after ``not_before`` (clock, s)."""
        clock, taken = self._truth.clock, []
        for _ in range(count):
            clock.sleep(max(not_before - clock.now(), 0.0))
            if clock.now() > deadline:
                raise DetectorError(f"detector {self.name}: the deadline passed before a reading.")
            began = clock.now()
            clock.sleep(1e-3)
            values = self._truth.residuals()
            taken.append(Reading(values, dict.fromkeys(values, 0.0), {}, "", began, clock.now()))
        return taken

    def close(self) -> None:
        """Do nothing; there is no hardware to let go of."""


class FunctionTruth:
    """What is true of such a bench: the residuals where the axes are, free of noise."""

    def __init__(self, function: Function, motors: Mapping[str, Motor]) -> None:
        self.function = function
        self.motors = motors
        self.clock = next(iter(motors.values())).clock
        self.offset = np.zeros(len(motors))

    def residuals(self) -> dict[str, float]:
        """Return the residuals now, by name."""
        x = np.array([m.true_position() for m in self.motors.values()]) + self.offset
        return {f"r{k + 1}": float(v) for k, v in enumerate(self.function.residuals(x))}

    def verdict(self, spec: Spec) -> Verdict:
        """Judge the exact residuals."""
        values = {f"function.{k}": v for k, v in self.residuals().items()}
        size = len(values)
        exact = BeamParameters(
            tuple(values), np.array(list(values.values())), np.zeros((size, size)), {}
        )
        return spec.evaluate(exact)

    def in_spec(self, spec: Spec) -> bool:
        """Return whether every residual is within its tolerance."""
        return self.verdict(spec).in_spec

    def aligned(self) -> dict[str, float]:
        """Return the readings at which the residuals are zero."""
        best = np.array(self.function.best) - self.offset
        return dict(zip(self.motors, best.tolist(), strict=True))


def bench_of(name: str, seed: int, fidelity: str = "moments") -> Bench:
    """Return the function ``name`` as a bench; there are no frames, whatever the ``fidelity``."""
    function, clock = FUNCTIONS[name], VirtualClock()
    half = function.half
    axes = [
        Axis(f"x{k + 1}.position", "mm", -half, half, resolution=1e-7, speed=_SPEED)
        for k in range(len(function.start))
    ]
    traits = MotorTraits(step=1e-7, speed=_SPEED, acceleration=100 * _SPEED)
    motors = {a.name: Motor(a.name, clock, traits, -2 * half, 2 * half) for a in axes}
    truth = FunctionTruth(function, motors)
    rng = np.random.default_rng([seed, 0x7E57])
    begin = np.array(function.start)
    if seed:
        begin = begin + function.scatter * rng.standard_normal(len(axes))
    # Axes read 0 at the start, as after homing; the function is shifted instead.
    truth.offset = begin
    spec = Spec(tuple(QuantityTerm(f"function.{r}", TOLERANCE) for r in truth.residuals()))
    stages = {"axes": SimulatedStage("axes", axes, motors)}
    return Bench(
        name=f"{name}, start {seed}", stages=stages,
        detectors={"function": _Residuals(truth)}, spec=spec, clock=clock, settle=0.0, truth=truth,
    )  # fmt: skip
