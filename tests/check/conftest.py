"""Simulated benches with one thing wrong, and a record of where their motors truly were."""

from __future__ import annotations

from collections.abc import Callable, Sequence
from dataclasses import dataclass, field, replace
from types import SimpleNamespace

import numpy as np
import pytest
from autoalign_simulators.benches import collimator
from autoalign_simulators.simulated_stage import SimulatedStage

from autoalign.bench import Bench
from autoalign.core.interfaces import AxisStatus, Detector


@dataclass
class WatchedStage:
    """A stage that remembers every target and, at every status, where the carriage truly is."""

    stage: SimulatedStage
    targets: dict[str, list[float]] = field(default_factory=dict)
    true: dict[str, list[float]] = field(default_factory=dict)

    def __getattr__(self, name: str) -> object:
        return getattr(self.stage, name)

    def start_move(self, axis: str, target: float) -> None:
        """Move, and remember where to."""
        self.targets.setdefault(axis, []).append(target)
        self.stage.start_move(axis, target)

    def status(self, axis: str) -> AxisStatus:
        """Return the status, and remember where the carriage truly is."""
        self.true.setdefault(axis, []).append(self.stage.motors[axis].true_position())
        return self.stage.status(axis)


@dataclass
class Rewired:
    """A camera that shows, under its own name and with its own calibration, something else."""

    own: Detector
    other: Detector
    turn: np.ndarray = field(default_factory=lambda: np.eye(2))

    @property
    def name(self) -> str:
        """Its own name."""
        return self.own.name

    @property
    def plane(self) -> str:
        """Its own plane."""
        return self.own.plane

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[object]:
        """Return the other camera's pixels as this one's."""
        model = self.own.acquire(1, not_before, deadline)[0]
        out = []
        for frame in self.other.acquire(count, not_before, deadline):
            view = np.asarray(model.view) @ self.turn
            out.append(
                replace(
                    frame, plane=model.plane, pitch=model.pitch, origin=model.origin,
                    view=tuple(map(tuple, view.tolist())),
                )
            )  # fmt: skip
        return out

    def close(self) -> None:
        """Let go of nothing."""


def watched(bench: Bench) -> Bench:
    """Return the bench with stages that remember."""
    return replace(bench, stages={n: WatchedStage(s) for n, s in bench.stages.items()})


def tamper(bench: Bench, axis: str, *, scale: float = 1.0, backlash: float | None = None) -> Bench:
    """Multiply an axis' motion by ``scale``; give it another ``backlash``, mm or rad."""
    motor = bench.truth.world.motors[axis]
    motor.traits = replace(
        motor.traits,
        scale=motor.traits.scale * scale,
        backlash=motor.traits.backlash if backlash is None else backlash,
    )
    return bench


def exchange_axes(bench: Bench, a: str, b: str) -> Bench:
    """Exchange the cables of two motors of one controller."""
    stage = bench.stage_of(a)
    other = {a: b, b: a}
    motors = dict(stage.motors)
    swapped = {n: motors[other.get(n, n)] for n in motors}
    new = SimulatedStage(stage.name, list(stage.axes.values()), swapped)
    return replace(bench, stages={**bench.stages, stage.name: new})


def exchange_cameras(bench: Bench) -> Bench:
    """Exchange the cables of the two cameras."""
    near, far = bench.detectors.values()
    return replace(bench, detectors={near.name: Rewired(near, far), far.name: Rewired(far, near)})


def mirror_camera(bench: Bench, name: str, turn: Sequence[Sequence[float]]) -> Bench:
    """Let a camera's bench file say something wrong of how it is hung."""
    camera = bench.detectors[name]
    wrong = Rewired(camera, camera, np.array(turn))
    return replace(bench, detectors={**bench.detectors, name: wrong})


@pytest.fixture
def bench() -> Callable[..., Bench]:
    """Makes everyday simulated collimators from a seed."""
    return collimator


FAULTS = SimpleNamespace(
    axis=tamper,
    exchanged_axes=exchange_axes,
    exchanged_cameras=exchange_cameras,
    camera=mirror_camera,
    watched=watched,
)


@pytest.fixture
def wrong() -> SimpleNamespace:
    """What may be wrong with a bench, by name; each takes a bench and returns it."""
    return FAULTS
