"""A bench at the level of moments, traced densely by the library's general ray trace.

It has what the twin does not model (cross-talk, figure error, light uneven in high orders), draws
its errors from its own seed, and shares no code with the twin's own rays.
"""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field, replace

import numpy as np
import pytest

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.model.poses import exp
from autoalign.optics.layout import Element, Layout, Motion, Plane, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.rays import Rays
from autoalign.optics.trace import trace_to_planes
from autoalign.spec.terms import Spec
from autoalign.strategies.base import Cause, Measurement, Problem
from autoalign.strategies.model import Model

DISTANCES = {"near": 400.0, "far": 2400.0}
RANGE = np.array([1.0, 1.0, 3.0, 4e-3, 4e-3, 10e-3])


def demo_layout(
    rho: float = 150.0, alpha: float = 35.0, near: float = 400.0, far: float = 2400.0
) -> Layout:
    """The demo's collimator."""
    s = OffAxisParaboloid(rho, alpha, 30.0)
    motions = (
        Motion("source.x", "source", "shift", s.sideways),
        Motion("source.y", "source", "shift", (0.0, 1.0, 0.0)),
        Motion("source.z", "source", "shift", s.chief_ray),
        Motion("mirror.tip", "mirror", "turn", (1.0, 0.0, 0.0)),
        Motion("mirror.tilt", "mirror", "turn", (0.0, 1.0, 0.0)),
        Motion("mirror.clocking", "mirror", "turn", (0.0, 0.0, 1.0)),
    )
    source = Source(0.1, 0.12, 660e-6, s.focus, s.chief_ray)
    planes = (Plane("near", near), Plane("far", far))
    return Layout("collimator", source, (Element("mirror", s),), planes, motions)


def demo_axes() -> tuple[Axis, ...]:
    """Six axes, with 4 (6) mm and 15 (40) mrad of travel each way."""
    return (
        Axis("source.x", "mm", -4, 4, 1e-3),
        Axis("source.y", "mm", -4, 4, 1e-3),
        Axis("source.z", "mm", -6, 6, 2e-3),
        Axis("mirror.tip", "rad", -0.015, 0.015, 5e-6),
        Axis("mirror.tilt", "rad", -0.015, 0.015, 5e-6),
        Axis("mirror.clocking", "rad", -0.04, 0.04, 2e-5),
    )


def _rays(rng: np.random.Generator) -> Rays:
    nodes, weights = np.polynomial.legendre.leggauss(28)
    r = 1.25 * np.sqrt((nodes + 1) / 2)[:, None]
    turn = 2 * np.pi * np.arange(56) / 56
    u, v = (r * np.cos(turn)).ravel(), (r * np.sin(turn)).ravel()
    a = rng.normal(size=7) * [0.15, 0.15, 0.2, 0.1, 0.1, 0.08, 0.08]
    bend = a[0] * u + a[1] * v + a[2] * (u * u + v * v) + a[3] * (u * u - v * v) + a[4] * u * v
    bend = bend + a[5] * u**3 + a[6] * np.sin(5 * u + 2 * v)
    l, m = 0.12 * u, 0.12 * v  # noqa: E741
    n = np.sqrt(1 - l * l - m * m)
    weight = np.repeat(weights, 56) * np.exp(-3 * (u * u + v * v) + bend) / n
    zero = np.zeros_like(u)
    return Rays(zero, zero, zero, l, m, n, zero, weight)


@dataclass
class MomentBench:
    """A bench that answers with profiles. ``rho``, ``far`` are true over nominal values."""

    seed: int
    noise: float = 1.0
    rho: float = 1.0
    far: float = 1.0
    flip: int | None = None
    swap: tuple[int, int] | None = None
    dark: set[str] = field(default_factory=set)

    def __post_init__(self) -> None:
        rng = self.rng = np.random.default_rng(self.seed)
        self.nominal, self.axes = demo_layout(), demo_axes()
        self.spec = Spec.collimation(source_divergence=0.1 / 150, waist=150.0)
        e = rng.normal(size=4) * [0.003, 0.05, 0.005, 0.003]
        true = demo_layout(
            150 * self.rho * (1 + e[0]), 35 + e[1], 400 * (1 + e[2]), 2400 * self.far * (1 + e[3])
        )
        self.layout = replace(true, motions=tuple(self._off(m) for m in true.motions))
        self.scale = 1 + 0.02 * rng.normal(size=6)
        self.zero = rng.uniform(-1, 1, 6) * RANGE / 2
        self.cross = np.eye(6)
        for k in (0, 3):
            self.cross[k : k + 3, k : k + 3] += 0.007 * rng.normal(size=(3, 3)) * (1 - np.eye(3))
        if self.flip is not None:
            self.scale[self.flip] *= -1
        self.wires = np.arange(6)
        if self.swap is not None:
            self.wires[list(self.swap)] = self.wires[list(self.swap)[::-1]]
        self.offsets = {
            "source": exp(np.concatenate([rng.normal(size=3) * 6e-3, rng.normal(size=3) * 0.1])),
            "mirror": exp(np.concatenate([rng.normal(size=3) * 1e-3, rng.normal(size=3) * 0.1])),
        }
        for plane in DISTANCES:
            turns = rng.normal(size=3) * [0.02, 0.02, 0.008]
            self.offsets[plane] = exp(np.array([*turns, *rng.normal(size=2) * 0.2, 0.0]))
        self.pitch = 1 + 0.003 * rng.normal(size=(2, 2))
        self.rays = _rays(rng)
        self.bend = rng.normal(size=3) * 2e-7
        self.start = rng.uniform(-1, 1, 6) * RANGE
        self._commanded, self._shake = np.full(6, np.nan), np.zeros(6)

    def _off(self, motion: Motion) -> Motion:
        direction = np.asarray(motion.direction)
        direction = direction + np.cross(self.rng.normal(size=3) * 0.02, direction)
        pivot = self.rng.normal(size=3)
        pivot *= (25 if motion.kind == "turn" else 0) / np.linalg.norm(pivot)
        unit = direction / np.linalg.norm(direction)
        return replace(motion, direction=tuple(unit.tolist()), pivot=tuple(pivot.tolist()))

    def drift(self) -> None:
        """Shift everything a little, as a warm afternoon does."""
        self.zero = self.zero + self.rng.normal(size=6) * [0.1, 0.1, 0.2, 7e-4, 7e-4, 7e-4]

    def moments(self, x: np.ndarray) -> dict[str, np.ndarray]:
        """Noise-free moments by plane at commanded positions ``x`` (6,)."""
        true = self.cross @ (np.asarray(x)[self.wires] * self.scale) + self.zero
        named = {m.axis: q for m, q in zip(self.layout.motions, true, strict=True)}
        poses = place(self.layout, named, self.offsets)
        seen, rays = trace_to_planes(
            self.layout, poses, self.rays, figures={"mirror": self._figure}
        )
        weight = rays.power / rays.power.sum()
        out = {}
        for k, (plane, z) in enumerate(DISTANCES.items()):
            px, py = seen[plane][0] * self.pitch[k, 0], seen[plane][1] * self.pitch[k, 1]
            cx, cy = weight @ px, weight @ py
            a, b = px - cx, py - cy
            blur = (0.1 / 4 * z / 150) ** 2
            terms = [a * a, b * b, a * b, a**3, a * a * b, a * b * b, b**3]
            out[plane] = np.array([cx, cy, *(weight @ t for t in terms)])
            out[plane][2:4] += blur
        return out

    def _figure(self, x: np.ndarray, y: np.ndarray) -> tuple[np.ndarray, np.ndarray, np.ndarray]:
        a, b, c = self.bend
        height = a * (x * x - y * y) + 2 * b * x * y + c * (x * x + y * y)
        return height, 2 * (a * x + b * y + c * x), 2 * (b * x - a * y + c * y)

    def look(self, x: np.ndarray) -> Measurement:
        """What one visit says, with noise of motion and of measurement."""
        fresh = self.rng.normal(size=6) * [5e-4, 5e-4, 1e-3, 2e-6, 2e-6, 1e-5] * self.noise
        self._shake = np.where(np.asarray(x) == self._commanded, self._shake, fresh)
        self._commanded, shake = np.array(x), self._shake
        profiles = {}
        for plane, m in self.moments(x + shake).items():
            s = np.sqrt(m[2])
            u = np.array([0.01, 0.01, *[1.5e-3 * s**2] * 2, 1e-3 * s**2, *[0.01 * s**3] * 4])
            noisy = m + self.rng.normal(size=9) * u * self.noise
            if plane not in self.dark:
                profiles[plane] = BeamProfile(
                    noisy, np.diag(u**2), 1.0, 0.01, 0.0, 0.1, 1.0, plane=plane
                )
        if len(profiles) < 2:
            return Measurement(
                np.array(x), profiles, findings=(Cause.UNMEASURED.found("far", "a plane is dark"),)
            )
        parameters = combine(profiles, DISTANCES)
        return Measurement(np.array(x), profiles, parameters, self.spec.evaluate(parameters))

    def truly_in_spec(self, x: np.ndarray) -> bool:
        """Whether the noise-free beam is in spec as the detectors read it."""
        profiles = {
            p: BeamProfile(m, np.diag(np.full(9, 1e-12)), 1.0, 0.0, 0.0, 0.0, 1.0, plane=p)
            for p, m in self.moments(x).items()
        }
        return self.spec.evaluate(combine(profiles, DISTANCES)).in_spec

    def problem(self, x: np.ndarray, calibration: object = None) -> Problem:
        """The problem as a session puts it."""
        return Problem(
            self.axes, np.array(x), self.look(x), self.spec, np.random.default_rng(0),
            self.nominal, {}, {}, calibration,
        )  # fmt: skip


@dataclass
class Run:
    """How a driven strategy ended."""

    measurements: int
    seen: list[Measurement]

    @property
    def last(self) -> Measurement:
        """The last look."""
        return self.seen[-1]


def drive(model: Model, bench: MomentBench, problem: Problem, budget: int = 20) -> Run:
    """Do what a session does: stop in spec, clip to what is reachable, count every look."""
    seen = [problem.first]
    proposals = model.propose(problem)
    answer: Measurement | None = None
    while len(seen) < budget and not seen[-1].in_spec:
        try:
            x = next(proposals) if answer is None else proposals.send(answer)
        except StopIteration:
            break
        answer = bench.look(problem.clip(x))
        seen.append(answer)
    proposals.close()
    return Run(len(seen), seen)


@pytest.fixture
def make_bench() -> Callable[..., MomentBench]:
    """Makes benches from a seed."""
    return MomentBench


@pytest.fixture
def run_model() -> Callable[..., Run]:
    """Runs the strategy from the bench's start until in spec."""

    def run(bench: MomentBench, model: Model | None = None, calibration: object = None) -> Run:
        return drive(model or Model(), bench, bench.problem(bench.start, calibration))

    return run
