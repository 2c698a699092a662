"""One hidden bench: motors that move source and mirror, light to two screens, and the truth."""

from __future__ import annotations

import dataclasses
import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign import Bench, Layout, Motion, Spec, VirtualClock
from tests.independent.parts import Camera, Counter, CountingStage, Light, figure, lumps
from tests.independent.rays import Fan, Paraboloid, Pose, Terms, fan, moments, terms, turn

__all__ = ["CameraPlan", "Design", "Hidden", "World"]

Floats = npt.NDArray[np.float64]

RAYS = 120_000
TRUTH_RAYS = 240_000


@dataclass(frozen=True)
class CameraPlan:
    """What a bench file says of one camera."""

    distance: float
    shape: tuple[int, int]
    pitch: tuple[float, float]
    view: Floats
    origin: tuple[float, float]


@dataclass(frozen=True)
class Design:
    """What a bench file says of a bench with one off-axis paraboloid."""

    name: str
    mirror: Paraboloid
    core: float
    na: float
    cone: Callable[[Floats], Floats]
    """Intensity against the sine of the angle."""
    edge: float
    """Sine at which the cone ends."""
    layout: Layout
    """With the motions of its axes."""
    cameras: Mapping[str, CameraPlan]
    spec: Spec
    tolerances: tuple[float, float, float]
    """Of pointing, divergence and ellipticity in ``spec``."""
    uncertainties: Mapping[str, float]
    edge_at: float
    """x, mm, from which an edge in the beam blocks it where light is clipped."""
    figure: float
    """Rms slope error of the mirror, rad."""


@dataclass(frozen=True)
class Hidden:
    """What is wrong with a bench besides its cameras."""

    source: Floats
    """Shift of the face from the focus, mm."""
    mirror: Floats
    """Turn of the mirror as mounted, about its centre, as a rotation vector, rad."""
    aim: Floats
    """Error of the direction of emission, across, rad (2,)."""
    motions: tuple[Motion, ...]
    """As they really are."""


class World:
    """A bench with a hidden misalignment; ``bench`` is what a program is given."""

    def __init__(
        self, design: Design, hidden: Hidden, stages: Mapping[str, Sequence[Counter]],
        kind: Light, clock: VirtualClock, rng: np.random.Generator,
    ) -> None:  # fmt: skip
        self.design, self.hidden, self.kind = design, hidden, kind
        self.counters = {c.axis.name: c for group in stages.values() for c in group}
        slopes = figure(kind.figure * design.figure, rng)
        self.mirror = dataclasses.replace(design.mirror, slopes=slopes)
        self._last: tuple[object, Fan | None, tuple[Floats, Floats, Floats]] = (None, None, None)  # type: ignore[assignment]
        uneven = lumps(kind.lumps, design.na, rng)
        soft = 0.05 * design.na

        def weight(sines: Floats) -> Floats:
            w = uneven(sines) if kind.lumps else np.ones(len(sines))
            if kind.hole:
                angle = np.hypot(*sines.T)
                w = w * (0.02 + 0.98 / (1 + np.exp((kind.hole * design.na - angle) / soft)))
            return w

        self._fan = fan(RAYS, design.cone, design.edge, weight)
        self._weight = weight
        known = design.uncertainties
        cameras = {}
        for name, plan in design.cameras.items():
            wrong = {
                "roll": rng.normal(0, known["roll"]),
                "zero": rng.normal(0, known["fiducial"], 2),
                "aspect": rng.normal(0, known["pixel_aspect"]),
                "pitch": rng.normal(0, known["pitch"]),
            }
            distance = plan.distance * (1 + rng.normal(0, known["distance"]))
            cameras[name] = Camera(
                name, lambda z=distance: self._at(z), clock, rng, shape=plan.shape,
                pitch=plan.pitch, view=plan.view, origin=plan.origin, kind=kind, wrong=wrong,
            )  # fmt: skip
            cameras[name].expose_for(*self._lit(self._aligned(), self._fan, distance))
        self.cameras = cameras
        self.bench = Bench(
            design.name,
            {n: CountingStage(n, group, clock) for n, group in stages.items()},
            cameras,
            design.spec,
            design.layout,
            clock=clock,
            uncertainties=design.uncertainties,
        )

    def pose(self) -> Pose:
        """Return where source and mirror are at the present counts."""
        face = self.mirror.focus + self.hidden.source
        turned, moved = np.eye(3), np.zeros(3)
        for motion in self.hidden.motions:
            by = self.counters[motion.axis].true
            along = np.asarray(motion.direction, dtype=float)
            if motion.part == "source":
                face = face + by * along
                continue
            step, pivot = turn(along, by), np.asarray(motion.pivot, dtype=float)
            # The first motion is the outermost: the later ones act before it.
            moved = moved + turned @ (pivot - step @ pivot)
            turned = turned @ step
        amount = float(np.linalg.norm(self.hidden.mirror))
        if amount:
            turned = turned @ turn(self.hidden.mirror / amount, amount)
        return Pose(face, self._aim(self.hidden.aim), turned, moved)

    def truth(self, rays: int = TRUTH_RAYS) -> Terms:
        """Return the true terms at the present counts, without camera and noise."""
        many = fan(rays, self.design.cone, self.design.edge, self._weight, start=0.25)
        return self._terms(self.pose(), many)

    def aligned(self, rays: int = TRUTH_RAYS) -> Terms:
        """Return the terms of a bench with nothing misaligned, in the same light and figure."""
        many = fan(rays, self.design.cone, self.design.edge, self._weight, start=0.25)
        return self._terms(self._aligned(), many)

    def ratio(self, found: Terms) -> float:
        """Return the worst deviation in units of its tolerance."""
        return max(found.ratios(*self.design.tolerances).values())

    def seen(self) -> dict[str, float]:
        """Return the share of the light that falls on each camera, now."""
        shares = {}
        for name, camera in self.cameras.items():
            points, weight = camera._light()
            shares[name] = float(camera.picture(points, weight).sum() / self._fan.weight.sum())
        return shares

    def _terms(self, pose: Pose, rays: Fan) -> Terms:
        places = [plan.distance for plan in self.design.cameras.values()]
        near, far = (moments(*self._lit(pose, rays, z)) for z in places)
        rho = self.mirror.distance
        return terms(near, far, (places[0], places[-1]), self.design.core / rho, rho)

    def _at(self, distance: float) -> tuple[Floats, Floats]:
        return self._lit(self.pose(), self._fan, distance)

    def _lit(self, pose: Pose, rays: Fan, distance: float) -> tuple[Floats, Floats]:
        p, d, weight = self._traced(pose, rays)
        if self.kind.clipped:
            before = p[:, 0] + d[:, 0] / d[:, 2] * (100.0 - p[:, 2])
            weight = weight * (before < self.design.edge_at)
        points = p[:, :2] + d[:, :2] / d[:, 2:] * (distance - p[:, 2:])
        return points, weight

    def _traced(self, pose: Pose, rays: Fan) -> tuple[Floats, Floats, Floats]:
        """Return the rays after the mirror; two screens in turn see the same ones."""
        key = (id(rays), *pose.face, *pose.aim.ravel(), *pose.turned.ravel(), *pose.moved)
        if key != self._last[0]:
            self._last = (key, rays, self.mirror.trace(rays, pose, self.design.core / 2))
        return self._last[2]

    def _aligned(self) -> Pose:
        return Pose(self.mirror.focus, self._aim(np.zeros(2)))

    def _aim(self, error: Floats) -> Floats:
        a = self.mirror.angle
        across = np.array([math.cos(a), 0.0, math.sin(a)])
        up = np.array([0.0, 1.0, 0.0])
        chief = np.array([math.sin(a), 0.0, -math.cos(a)])
        off = turn(across, error[0]) @ turn(up, error[1])
        return off @ np.stack([across, up, chief], axis=1)


def wrong_motions(
    motions: Sequence[Motion], known: Mapping[str, float], rng: np.random.Generator
) -> tuple[Motion, ...]:
    """Return ``motions`` with directions and pivots off by the stated uncertainties."""
    found = []
    for motion in motions:
        by = rng.normal(0, known["direction"] / math.sqrt(2), 3)
        along = np.asarray(motion.direction) + by
        along = along / np.linalg.norm(along)
        pivot = np.asarray(motion.pivot) + rng.normal(0, known["pivot"], 3) * (
            motion.kind == "turn"
        )
        found.append(dataclasses.replace(motion, direction=tuple(along), pivot=tuple(pivot)))
    return tuple(found)


def start_with_light(
    make: Callable[[np.random.Generator], World], seed: int, share: float = 0.9
) -> World:
    """Return the first world of ``seed`` whose light falls on both screens at the start."""
    rng = np.random.default_rng(seed)
    for _ in range(200):
        world = make(rng)
        if min(world.seen().values()) > share * (0.45 if world.kind.clipped else 1.0):
            return world
    raise RuntimeError(f"seed {seed}: no start with the light on both screens")
