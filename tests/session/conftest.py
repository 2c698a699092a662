"""A bench whose residuals are known functions of its axes, in virtual time."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field

import numpy as np
import pytest

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError
from autoalign.core.interfaces import AxisStatus, Reading
from autoalign.spec.terms import QuantityTerm, Spec


@dataclass
class FakeStage:
    """Axes that move at 5 units a second, with play, and remember every command."""

    axes: dict[str, Axis]
    clock: VirtualClock
    name: str = "stage"
    backlash: float = 0.0
    log: list[tuple[str, float]] = field(default_factory=list)
    stopped: int = 0
    stuck: set[str] = field(default_factory=set)
    fault: dict[str, str] = field(default_factory=dict)
    on_status: Callable[[], None] = lambda: None
    _from: dict[str, tuple[float, float, float]] = field(default_factory=dict)
    _body: dict[str, float] = field(default_factory=dict)

    def identity(self) -> str:
        """Return what it is."""
        return "fake stage"

    def start_move(self, axis: str, target: float) -> None:
        """Set an axis going."""
        self.axes[axis].check(target)
        self.log.append((axis, target))
        here = self._at(axis)
        goal = here if axis in self.stuck else target
        self._from[axis] = (here, goal, self.clock.now())
        body = self._body.get(axis, here)
        half = self.backlash / 2
        self._body[axis] = min(max(body, goal - half), goal + half)

    def _at(self, axis: str) -> float:
        start, goal, began = self._from.get(axis, (0.0, 0.0, 0.0))
        speed = self.axes[axis].speed or 5.0
        reach = (self.clock.now() - began) * speed
        return goal if abs(goal - start) <= reach else start + np.sign(goal - start) * reach

    def put(self, axis: str, position: float) -> None:
        """Place an axis without moving it."""
        self._from[axis] = (position, position, -1e9)
        self._body[axis] = position

    def body(self, axis: str) -> float:
        """Where the part behind the play stands."""
        return self._body.get(axis, self._at(axis))

    def status(self, axis: str) -> AxisStatus:
        """Return where an axis is."""
        self.on_status()
        position = self._at(axis)
        moving = position != self._from.get(axis, (0.0, position, 0.0))[1]
        return AxisStatus(position, moving, fault=self.fault.get(axis, ""))

    def stop(self) -> None:
        """Stop every axis where it is."""
        self.stopped += 1
        for axis in self.axes:
            self.put(axis, self._at(axis))

    def close(self) -> None:
        """Stop and let go."""
        self.stop()


@dataclass
class FakeMeter:
    """Reads named numbers off the stage, with noise."""

    stage: FakeStage
    clock: VirtualClock
    function: Callable[[np.ndarray], Mapping[str, float]]
    noise: float
    rng: np.random.Generator
    visible: Callable[[np.ndarray], bool] = lambda _: True
    name: str = "meter"
    plane: str = ""
    stale: bool = False
    broken: bool = False
    measurements: int = 0

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return readings of where the parts stand now."""
        self.measurements += 1
        if self.broken:
            raise DetectorError("meter: no exposure before the deadline.")
        return [self._one(not_before) for _ in range(count)]

    def _one(self, not_before: float) -> Reading:
        began = not_before - 1.0 if self.stale else max(not_before, self.clock.now())
        self.clock.sleep(0.01)
        x = np.array([self.stage.body(a) for a in self.stage.axes])
        values = dict(self.function(x)) if self.visible(x) else {}
        noisy = {k: v + self.noise * self.rng.standard_normal() for k, v in values.items()}
        return Reading(
            noisy, dict.fromkeys(noisy, self.noise), started=began, ended=self.clock.now()
        )

    def close(self) -> None:
        """Let go."""


def make_bench(
    count: int = 3,
    residuals: int = 4,
    seed: int = 0,
    noise: float = 0.02,
    bend: float = 0.0,
    backlash: float = 0.0,
    scale: Sequence[float] | None = None,
    zero: Sequence[float] | None = None,
    order: Sequence[int] | None = None,
    names: Sequence[str] | None = None,
    rank: int | None = None,
    visible: Callable[[np.ndarray], bool] = lambda _: True,
    noise_seed: int = 99,
) -> Bench:
    """Return a bench with residuals A(x − x*) + bend (x − x*)², one axis unit being 1/50 travel.

    ``scale`` and ``zero`` change how the axes are counted, ``order`` and ``names`` how they are
    called, not what happens.
    """
    rng = np.random.default_rng(seed)
    inner = min(rank or count, count)
    matrix = 10 * rng.standard_normal((residuals, inner)) @ rng.standard_normal((inner, count))
    target = rng.uniform(-5, 5, count)
    scales = np.ones(count) if scale is None else np.asarray(scale, dtype=float)
    zeros = np.zeros(count) if zero is None else np.asarray(zero, dtype=float)
    places = list(range(count)) if order is None else list(order)
    labels = [f"part{k}.move" for k in range(count)] if names is None else list(names)
    clock = VirtualClock()
    axes = {}
    for k in places:
        low, high = (zeros[k] + scales[k] * np.array([-25.0, 25.0])).tolist()
        axes[labels[k]] = Axis(
            labels[k], "mm", low, high, backlash=backlash * scales[k], speed=5.0 * scales[k]
        )
    stage = FakeStage(axes, clock, backlash=backlash)
    for k in places:
        stage.put(labels[k], float(zeros[k]))
    back = np.argsort(places)

    def function(x: np.ndarray) -> dict[str, float]:
        u = ((x[back] - zeros) / scales) - target
        r = matrix @ u + bend * 10 * (matrix / 10 @ u) ** 2 / 20
        return {f"q{i}": float(v) for i, v in enumerate(r)}

    def seen(x: np.ndarray) -> bool:
        return visible((x[back] - zeros) / scales - target)

    meter = FakeMeter(stage, clock, function, noise, np.random.default_rng(noise_seed), seen)
    spec = Spec(tuple(QuantityTerm(f"meter.q{i}", 1.0) for i in range(residuals)))
    truth = {
        "function": function,
        "target": dict(zip(labels, zeros + scales * target, strict=True)),
    }
    return Bench("fake", {"stage": stage}, {"meter": meter}, spec, clock=clock, truth=truth)


@pytest.fixture(name="make_bench")
def _make_bench() -> Callable[..., Bench]:
    return make_bench
