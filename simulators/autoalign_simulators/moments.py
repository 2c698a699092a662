"""Measurements without pixels: the moments, noise and flags that frames of the bench would give.

A few dozen rays through the true train give the moments on every screen; what the source's size or
diffraction adds is a convolution, as in :mod:`.render`. The noise is that of a frame: photons, read
noise and unequal pixels over the window of ISO 11146-1, and the background's level from the ring
around it; scattered light shifts the moments as it does in a frame. Nothing is rendered and no
pixel is measured. Motors, screens, times, and the faults of a camera are those of the frames.

What it leaves out: flags that only a picture shows (two spots, nicked edge, ring, uneven ambient
light), and diffraction beyond a Gaussian's.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass, replace
from functools import cached_property, partial
from typing import Any, Literal, get_args

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame.iterate import AROUND, NOISY
from autoalign.beam.frame.moments import (
    MONOMIALS,
    WINDOW_FACTOR,
    influence,
    monomial_products,
)
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.errors import unknown_name
from autoalign.core.interfaces import Evaluated
from autoalign.core.units import percent
from autoalign.optics.layout import Beam, Layout
from autoalign.optics.pose import Pose, place
from autoalign.optics.sources import disk_grid
from autoalign.optics.trace import Figure, hits, to_plane
from autoalign_simulators.blemishes import covered
from autoalign_simulators.camera import SimulatedCamera
from autoalign_simulators.figure import FigureError
from autoalign_simulators.train import Passage, Train
from autoalign_simulators.truth import Pinhole, Truth
from autoalign_simulators.world import World

__all__ = ["Fidelity", "MomentCamera", "MomentTrace", "Placement", "detectors_of"]

Floats = npt.NDArray[np.float64]

Fidelity = Literal["frames", "moments"]
"""Whether the cameras of a simulated bench give frames, or the moments of such frames."""

SPARSE = 5, 12
"""Rings and spokes of rays through the pupil."""

DENSE = 12, 36
"""The same where something cuts the beam."""

_SAME = 0.02
"""Part of its resolution by which an axis may have crept before the light is traced anew."""

_ELSEWHERE = 1e-3
"""How far, mm, light may land from where slopes were worked out."""

_HALF = 2 * WINDOW_FACTOR
"""Half a side of the window in standard deviations of the beam."""

_FAINTEST = THRESHOLDS.beam_significance

_HARD = 0.12
"""Convolution over the sharp spot, both as standard deviations, up to which an edge is hard."""

_HARD_FACE = 0.3
"""The same the other way round: of an image of the source's face."""

_MIXED = 2.4 * math.pi
"""Area over √det of a sharp spot blurred by as much again."""

_LIT_RIM = 0.04
"""Light at the pupil's rim over the brightest, from which its edge is seen."""

_PLAIN = 2.5
"""A slope of the background is taken off from this many times what is merely stated."""

_HOT = 8.0
"""Signal of the hottest pixel, in σ, from which it is found and replaced."""

_SIDES = (0, -1.0), (0, 1.0), (1, -1.0), (1, 1.0)
_NAMES = "left", "right", "top", "bottom"

_SOON = 0.06
"""Seconds within which nothing creeps by more than that, once everything has arrived."""

_FACE = np.stack(disk_grid(2, 6))
_P, _Q = np.transpose(MONOMIALS)
_ORDERS = np.arange(7)
_EVEN = (np.arange(10) + 0.5) / 10
_RIDGE = 1e-9 * np.eye(10)
_NODES, _WEIGHTS = np.polynomial.legendre.leggauss(12)
_DISK = np.einsum(
    "pn,qn,n->pq", *((2 * k) ** _ORDERS[:, None] for k in disk_grid(5, 16)[:2]), disk_grid(5, 16)[2]
)
"""E x^p y^q (7, 7) of an even disk with unit variance."""


class Placement:
    """What :func:`autoalign.optics.pose.place` does for one layout, made ready to be repeated.

    Parameters
    ----------
    layout
        The bench as it truly is.
    """

    def __init__(self, layout: Layout) -> None:
        motions = layout.motions
        self._nominal = place(layout, {})
        self._parts = [m.part for m in motions]
        turns = np.array([m.kind == "turn" for m in motions])
        line = np.array([m.direction for m in motions], float).reshape(-1, 3)
        zero = np.zeros(len(motions))
        x, y, z = line.T
        cross = np.stack([zero, -z, y, z, zero, -x, -y, x, zero], -1).reshape(-1, 3, 3)
        self._cross = cross * turns[:, None, None]
        self._square = self._cross @ self._cross
        self._shift = line * ~turns[:, None]
        self._pivot = np.array([m.pivot for m in motions], float).reshape(-1, 3) * turns[:, None]

    def __call__(self, positions: Floats) -> dict[str, Pose]:
        """Return the pose of every part for ``positions`` (n,), in the order of the motions."""
        q = positions[:, None, None]
        turned = np.eye(3) + np.sin(q) * self._cross + 2 * np.sin(q / 2) ** 2 * self._square
        moved = self._pivot - (turned @ self._pivot[..., None])[..., 0]
        moved += positions[:, None] * self._shift
        poses = dict(self._nominal)
        for part, rotation, way in zip(
            reversed(self._parts), turned[::-1], moved[::-1], strict=True
        ):
            inner = poses[part]
            poses[part] = Pose(rotation @ inner.rotation, rotation @ inner.position + way)
        return poses


class _Slopes:
    """A mirror's figure as few rays may see it: slopes of its low orders, and its mean slope.

    Its height, some tens of nanometres, moves no ray; of the ripple a few rays would see another
    mean than many do, and its scatter widens no beam. Worked out again once light lands elsewhere.
    """

    def __init__(self, figure: FigureError, at: tuple[Floats, Floats], weight: Floats) -> None:
        self._low = replace(figure, waves=())
        ripple = replace(figure, low=(0.0,) * len(figure.low))(*at)
        self._lean = float(weight @ ripple[1]), float(weight @ ripple[2])
        self._at: tuple[Floats, Floats] | None = None
        self._value: tuple[Floats, Floats, Floats] | None = None

    def __call__(self, x: Floats, y: Floats) -> tuple[Floats, Floats, Floats]:
        if self._value is not None and self._at is not None:
            away = np.abs(x - self._at[0]).max() + np.abs(y - self._at[1]).max()
            if away < _ELSEWHERE:
                return self._value
        height, sx, sy = self._low(x, y)
        height.fill(0.0)
        self._at, self._value = (x, y), (height, sx + self._lean[0], sy + self._lean[1])
        return self._value


class _QuickTrain(Train):
    """A train whose rays stay in the mirrors' own frames from one to the next."""

    def passage(
        self, poses: Mapping[str, Pose], u: Floats, v: Floats, point: Any = (0.0, 0.0)
    ) -> Passage:
        """See :meth:`.Train.passage`."""
        rays, density = self.emitted(poses, u, v, point)
        prints = {"source": (u, v)} if isinstance(self.layout.light, Beam) else {}
        last = "source"
        for element, local in hits(self.layout, poses, rays, self.figures):
            prints[element.name] = local.x, local.y
            last, rays = element.name, local
        return Passage(rays.moved(poses[last]), density, prints)


@dataclass(frozen=True, slots=True, eq=False)
class _Traced:
    """Where everything is, the light that came through, and the power of each ray but the last 4.

    ``whole`` where nothing stops a ray; ``rim`` is the light at the pupil's rim over the brightest;
    ``spread`` the pupil's lit area over √det of its second moments, as of :class:`_Spot`.
    The last four rays start from ±``reach`` on the source's face (or by so much in direction).
    """

    poses: Mapping[str, Pose]
    passage: Passage
    power: Floats
    whole: bool
    rim: float
    spread: float


@dataclass(frozen=True, slots=True, eq=False)
class _Kept:
    """What was traced last, when, where everything was, and what tells that nothing was changed."""

    state: tuple[list[float], Mapping[str, float], Mapping[str, float], Mapping[str, Any]]
    time: float
    positions: Floats
    traced: _Traced

    def lasts(self, time: float) -> bool:
        """Return whether only creep can have moved anything until ``time``, s."""
        arrivals, _, drift, _ = self.state
        return 0 <= time - self.time < _SOON and max(arrivals) <= self.time and not drift


class MomentTrace:
    """The light of one bench, traced once for all of its cameras as long as nothing moves.

    Parameters
    ----------
    world, train
        Where everything is, and what the light does there.
    """

    def __init__(self, world: World, train: Train) -> None:
        self.world = world
        self.train = train
        self._place = Placement(world.layout)
        self._still = np.array([_SAME * world.motors[a].traits.step for a in world.axes])
        self._known: dict[bool, _Kept] = {}
        self._trains: dict[bool, Train] = {}
        self._grids = {dense: self._grid(*(DENSE if dense else SPARSE)) for dense in (False, True)}

    def at(self, time: float, dense: bool = False) -> _Traced:
        """Return the light at ``time``, s; ``dense`` with enough rays to tell where it is cut."""
        world, blemishes = self.world, dict(self.train.blemishes)
        state = (
            [m.arrival for m in world.motors.values()],
            dict(world.hidden),
            dict(world.drift),
            blemishes,
        )
        kept = self._known.get(dense)
        if kept is not None and kept.state == state and kept.lasts(time):
            return kept.traced
        positions = np.fromiter(world.positions(time).values(), float)
        same = kept is not None and kept.state[3] == blemishes
        if kept is None or not same or np.any(np.abs(positions - kept.positions) > self._still):
            kept = _Kept(state, time, positions, self._traced(positions, dense))
        else:
            kept = replace(kept, state=state, time=time)
        self._known[dense] = kept
        return kept.traced

    def _traced(self, positions: Floats, dense: bool) -> _Traced:
        u, v, weight, point = self._grids[dense]
        if dense not in self._trains:
            self._trains[dense] = self._quick()
        train = self._trains[dense]
        poses = self._place(positions)
        passage = train.passage(poses, u, v, point)
        passed = np.broadcast_to(np.asarray(train.passed(passage.prints, 1e-3), float), u.shape)
        power = np.maximum(passage.density[:-4] * weight * passed[:-4], 0.0)
        if not math.isfinite(total := float(power.sum())):
            power = np.nan_to_num(power)
            total = float(power.sum())
        rings = passage.density[:-4].reshape((DENSE if dense else SPARSE)[0], -1).mean(1)
        rim = float(rings[-1] / max(float(rings.max()), 1e-300))
        share = power / max(total, 1e-300)
        x, y = u[:-4] - share @ u[:-4], v[:-4] - share @ v[:-4]
        det = (share @ (x * x)) * (share @ (y * y)) - (share @ (x * y)) ** 2
        top = float((share / weight).max())
        spread = 1 / max(top * math.sqrt(max(float(det), 0.0)), 1e-300)
        light = train.layout.light
        if isinstance(light, Beam) and light.profile == "gaussian":  # few rays miss its top
            spread = 2 * math.pi
        whole = bool(passed[:-4].min() >= 1)
        return _Traced(poses, passage, power, whole, rim, min(spread, 4.2 * math.pi))

    def _quick(self) -> Train:
        """Return the train with figures that few rays may see, from where many rays meet them."""
        train = self.train
        u, v, weight, point = self._grids[True]
        exact = train.passage(self._place(np.zeros(len(self._still))), u, v, point)
        share = np.nan_to_num(np.maximum(exact.density[:-4] * weight, 0.0))
        share /= max(float(share.sum()), 1e-300)
        figures: dict[str, Figure] = {}
        for name, figure in train.figures.items():
            x, y = (np.nan_to_num(k[:-4]) for k in exact.prints[name])
            figures[name] = figure
            if isinstance(figure, FigureError):
                figures[name] = _Slopes(figure, (x, y), share)
        return _QuickTrain(train.layout, train.glow, figures, train.blemishes)

    def through(self, pinhole: Pinhole) -> float:
        """Return the part of the source's power that ``pinhole`` lets through now."""
        traced = self.at(self.world.clock.now())
        if not traced.whole:
            traced = self.at(self.world.clock.now(), dense=True)
        x, y, _ = to_plane(traced.passage.rays, traced.poses[pinhole.plane])
        blur = [(k[-4::2] - k[-3::2]) / 2 for k in (x, y)]
        face = _FACE if self.train.blur_radius > 0 else _FACE[:, :1] * 0 + [[0], [0], [1]]
        there = [
            k[:-4, None] + b @ face[:2] - off
            for k, b, off in zip((x, y), blur, pinhole.off, strict=True)
        ]
        inside = covered(pinhole.diameter / 2 - np.hypot(*there), pinhole.diameter / 20)
        return float(traced.power @ np.nan_to_num(inside) @ face[2])

    def _grid(self, rings: int, spokes: int) -> tuple[Floats, Floats, Floats, Any]:
        x, y, w = disk_grid(rings, spokes)
        radius, reach = self.train.pupil_radius, self.train.blur_radius
        nothing = np.zeros(len(x))
        u, v = (np.concatenate([k * radius, np.zeros(4)]) for k in (x, y))
        ends = np.array([1.0, -1.0, 0.0, 0.0]), np.array([0.0, 0.0, 1.0, -1.0])
        point = tuple(np.concatenate([nothing, e * reach]) for e in ends)
        return u, v, w * math.pi * radius**2, point


@dataclass(frozen=True, slots=True, eq=False)
class _Spot:
    """The light on one screen, free of noise.

    ``power`` on the sensor, electrons/s; ``moments`` (9,) on it, mm, as of a profile; ``blur``
    (2, 2) part of the second moments that is a convolution, mm²; ``peak`` electrons/s in the
    brightest pixel; ``spread`` what the area is, over that of √det: 4π for a disk, 2π for a
    Gaussian; ``level`` light at each lit side of the sensor over the peak; ``lost`` covariance
    (9, 9) of what lies beyond.
    """

    power: float
    moments: Floats
    blur: Floats
    peak: float
    spread: float
    hard: bool
    level: Mapping[str, float]
    lost: Floats


class MomentCamera(SimulatedCamera):
    """A camera of a simulated bench that gives moments instead of frames.

    Parameters
    ----------
    trace
        The light of the bench, shared by all of its cameras.
    camera
        All the rest, as of :class:`.SimulatedCamera`.
    """

    def __init__(self, trace: MomentTrace, *camera: Any, **more: Any) -> None:
        super().__init__(*camera, **more)
        self._trace = trace
        self._before: BeamProfile | None = None
        self._spots: tuple[_Traced, tuple[Any, ...], _Spot] | None = None
        rng = np.random.default_rng([self._seed, 0])
        count = self.traits.sensor.hot_pixels
        self._hottest = float(rng.uniform(3e4, 3e5, count).max()) if count else 0.0

    def _brightest(self, at: float) -> float:
        return self._spot(at).peak + self.stray.ambient

    def _frame(self, begin: float, exposure: float) -> Evaluated:
        self._sequence += 1
        rng = np.random.Generator(np.random.SFC64([self._seed, self._sequence]))
        profile = self._profile(begin, exposure, rng)
        if self._before is not None:
            if self.faults.frozen:
                profile = _flagged(
                    self._before, FlagKind.FROZEN, "moments of the frame before", Use.NOTHING
                )
            elif self.faults.torn:
                profile = _flagged(profile, FlagKind.TORN, "two halves", Use.NOTHING)
        self._before = profile
        begin -= self.faults.stale
        return Evaluated(
            replace(profile, started=begin), (self.traits.pitch,) * 2, self.traits.origin,
            self._plane, begin, begin + exposure,
        )  # fmt: skip

    def _spot(self, at: float) -> _Spot:
        """Return the light on the screen at ``at``, s; worked out once while nothing changes."""
        traced = self._trace.at(at)
        lit = self.stray.version, self.world.power, self.screen, self.traits
        if self._spots is not None and self._spots[0] is traced and self._spots[1] == lit:
            return self._spots[2]
        spot = self._light(traced)
        if spot is None:
            spot = self._light(self._trace.at(at, dense=True), final=True)
        assert spot is not None
        self._spots = traced, lit, spot
        return spot

    def _light(self, traced: _Traced, final: bool = False) -> _Spot | None:
        """Return the light on the screen; None where more rays are needed to tell."""
        traits, pixels = self.traits, self._pixels
        pose = traced.poses[self._plane].compose(self.screen.pose)
        x, y, _ = to_plane(traced.passage.rays, pose)
        column, row = pixels.to_pixels(x, y)
        p = np.stack([column - traits.origin[0], row - traits.origin[1]]) * traits.pitch
        ends, p = p[:, -4:], p[:, :-4]
        power, throw = traced.power, (ends[:, ::2] - ends[:, 1::2]) / 2
        if not math.isfinite(float(p.sum())):
            power = np.where(np.isfinite(p).all(0), power, 0.0)
            p, throw = (np.nan_to_num(k, posinf=0.0, neginf=0.0) for k in (p, throw))
        blur = throw @ throw.T / 4
        soft = self._trace.train.soft
        if self.stray.ghost:
            p, power = self._with_ghost(p, power)
        total = float(power.sum())
        if total <= 0:
            return _Spot(0.0, np.zeros(9), blur, 0.0, 12.0, False, {}, np.zeros((9, 9)))
        whole = _moments(p, power / total, blur)
        sides = self._sides
        room = np.array([s * (sides[k] - whole[a]) for k, (a, s) in enumerate(_SIDES)])
        reach = self._reach(p, whole, blur, soft)
        cut = bool((room < reach).any()) or traits.field is not None
        if not final and (cut or not traced.whole):
            return None
        kept = power * self._seen(p, whole, blur, sides) if cut else power
        seen = float(kept.sum())
        if seen <= 1e-9 * total:
            return _Spot(0.0, whole, blur, 0.0, 12.0, False, {}, np.zeros((9, 9)))
        spread, hard = self._shape(traced, whole, blur)
        area = spread * math.sqrt(max(whole[2] * whole[3] - whole[4] ** 2, traits.pitch**4 / 16))
        rate = traits.source_rate * self.world.power
        moments = _moments(p, kept / seen, blur) if cut else whole
        level = _levels(room, reach, whole, hard, traced.rim) if cut else {}
        lost = self._lost(p, kept / seen, moments, sides) if cut else np.zeros((9, 9))
        peak = rate * total * traits.pitch**2 / area
        return _Spot(rate * seen, moments, blur, peak, spread, hard, level, lost)

    def _with_ghost(self, p: Floats, power: Floats) -> tuple[Floats, Floats]:
        distance = self.world.layout.plane(self._plane).distance
        away = np.array(self._pixels.to_pixels(*(a * distance for a in self.stray.ghost_angle)))
        away = (away - np.array(self._pixels.to_pixels(0.0, 0.0))) * self.traits.pitch
        share = self.stray.ghost * power
        return np.hstack([p, p + away[:, None]]), np.concatenate([power, share])

    @cached_property
    def _sides(self) -> Floats:
        """Return where the sensor ends to the left, right, top and bottom, mm."""
        t, s = self.traits, self.traits.sensor
        edges = [-0.5 - t.origin[0], s.columns - 0.5 - t.origin[0]]
        edges += [-0.5 - t.origin[1], s.rows - 0.5 - t.origin[1]]
        return np.array(edges) * t.pitch

    def _reach(self, p: Floats, whole: Floats, blur: Floats, soft: bool) -> Floats:
        """Return how far from its centroid the light goes to each side, mm."""
        own = 2 * np.sqrt(np.diag(blur)) * (1.75 if soft else 1.0) + 2 * self.traits.pitch
        far = [
            float((s * (p[a] - whole[a])).max(initial=0.0)) * (1.0 if soft else 1.02) + own[a]
            for a, s in _SIDES
        ]
        return np.array(far)

    def _seen(self, p: Floats, whole: Floats, blur: Floats, sides: Floats) -> Floats:
        """Return the part of each ray's light that falls on the sensor, within the lens' field."""
        seen = np.ones(p.shape[1])
        apart = 2 * math.sqrt(max(whole[2] + whole[3], 0.0) / p.shape[1])
        for k, (a, s) in enumerate(_SIDES):
            ramp = 3.4 * math.sqrt(blur[a, a]) + apart + self.traits.pitch
            seen *= np.clip(s * (sides[k] - p[a]) / ramp + 0.5, 0.0, 1.0)
        if self.traits.field is not None:
            ramp = 3.4 * math.sqrt(float(np.trace(blur)) / 2) + apart + self.traits.pitch
            inside = self.traits.field / 2 - np.hypot(*p)
            seen *= np.clip(inside / ramp + 0.5, 0.0, 1.0)
        return seen

    def _shape(self, traced: _Traced, whole: Floats, blur: Floats) -> tuple[float, bool]:
        """Return the spot's area over √det, and whether its edge is hard.

        A sharp spot is shaped like the pupil, a fully blurred one like the face of the source, and
        what is in between is close to a Gaussian.
        """
        soft = self._trace.train.soft
        more = float(np.trace(blur))
        part = min(max(1 - more / max(float(whole[2] + whole[3]), 1e-300), 0.0), 1.0)
        face = 2 * math.pi if soft else 4 * math.pi
        mixed = 2 * part * (1 - part) * (face if soft else _MIXED)
        own = face if soft else traced.spread
        spread = part**2 * own + (1 - part) ** 2 * face + mixed
        half = 2 * math.sqrt(max(min(float(whole[2]), float(whole[3])), 0.0))
        if half < THRESHOLDS.outline_narrow * self.traits.pitch:
            return spread, False
        sharp = part > 0 and math.sqrt((1 - part) / part) < _HARD
        imaged = not soft and part < 1 and math.sqrt(part / (1 - part)) < _HARD_FACE
        return spread, (sharp and traced.rim > _LIT_RIM) or imaged

    def _lost(self, p: Floats, w: Floats, moments: Floats, sides: Floats) -> Floats:
        """Return the covariance from the light beyond the sensor, as a frame's profile states."""
        total = np.zeros((9, 9))
        for k, (a, s) in enumerate(_SIDES):
            variance = max(float(moments[2 + a]), 1e-300)
            strip = max(0.15 * math.sqrt(variance), 8 * self.traits.pitch)
            part = float(w[s * (sides[k] - p[a]) < strip].sum()) / strip
            if part <= 0:
                continue
            d = float(sides[k] - moments[a])
            d = math.copysign(max(abs(d), math.sqrt(variance)), d)
            gone = min(part * variance / abs(d), 1.0)
            shift = np.zeros(9)
            shift[a] = gone * d
            shift[2 + a] = gone * max(d * d - variance, variance)
            shift[5 + 3 * a] = gone * d * max(d * d - 3 * variance, variance)
            total += np.outer(shift, shift)
        return total

    def _profile(self, begin: float, exposure: float, rng: np.random.Generator) -> BeamProfile:
        traits, sensor = self.traits, self.traits.sensor
        spot = self._spot(begin + exposure / 2)
        gain, pitch = sensor.gain, traits.pitch
        dark = (self.stray.ambient + sensor.dark_current) * exposure
        read = sensor.read_noise**2 if sensor.noise else 0.0
        sigma = math.sqrt((read + (dark if sensor.noise else 0.0)) * gain**2 + 1 / 12)
        level = sensor.black_level + dark * gain
        power = spot.power * exposure * gain
        pixels = max(spot.spread * _root_det(spot.moments) / pitch**2, 4.0)
        significance = power / (sigma * math.sqrt(pixels))
        if significance < _FAINTEST:
            return self._dark(level, sigma, significance)
        bright = spot.peak * exposure
        per_value = gain * (1 + sensor.response_spread**2 * bright) if sensor.noise else 0.0
        found = self._noise(spot, power, sigma, per_value)
        change = found.shift
        if sensor.noise:
            change = change + found.factor @ rng.standard_normal(found.factor.shape[1])
        covariance = found.factor @ found.factor.T + found.hidden @ found.hidden.T
        m = spot.moments + change[1:]
        half = _HALF * np.sqrt(np.maximum(m[2:4], 0.0))
        return BeamProfile(
            moments=m,
            covariance=covariance[1:, 1:] + spot.lost,
            power=power + float(change[0]),
            power_uncertainty=math.sqrt(float(covariance[0, 0])),
            background=level,
            noise=sigma,
            peak=min(bright * gain, sensor.top - level),
            plane=self._plane,
            window=(float(m[0]), float(m[1]), float(half[0]), float(half[1]), 0.0),
            view=traits.view,
        ).flagged(self._flags(spot, exposure, covariance, sigma))

    def _noise(self, spot: _Spot, power: float, sigma: float, per_value: float) -> _Noise:
        """Return what pixels, background and scattered light do to power and moments."""
        pitch, sides = self.traits.pitch, self._sides
        moments = spot.moments.copy()
        moments[2:4] = np.maximum(moments[2:4], (pitch / 4) ** 2)
        spans = []
        for axis in (0, 1):
            low, high = sides[2 * axis : 2 * axis + 2] - moments[axis]
            half = _HALF * math.sqrt(moments[2 + axis])
            spans.append((max(-half, min(float(low), 0.0)), min(half, max(float(high), 0.0))))
        a = influence(moments, power)
        evenly = np.outer(_plain_powers(*spans[0]), _plain_powers(*spans[1])) / pitch**2
        pixels = monomial_products(evenly) * sigma**2
        pixels += monomial_products(_signal(moments)) * (power * per_value)
        box = self._around(moments, sides)
        ring = max(_area(box) - 25 * math.pi * _root_det(moments), 0.02 * _area(box)) / pitch**2
        level = evenly[_P, _Q, None] * sigma / math.sqrt(ring)
        factor = a @ np.hstack([_factor(pixels), level])
        if not self.stray.scatter:
            return _Noise(factor, np.zeros(10), np.zeros((10, 0)))
        plane, u = self._scattered(moments, power, box, sigma)
        around = self._halo_sums(moments, power, spans) - plane[0] * evenly
        lean = np.stack([plane[1] * evenly[_P + 1, _Q], plane[2] * evenly[_P, _Q + 1]], 1)
        seen = np.abs(plane[1:]) > u
        tilted = bool((np.abs(plane[1:]) > _PLAIN * u).any())
        shift = a @ (around[_P, _Q] - (lean.sum(1) if tilted else 0.0))
        return _Noise(factor, shift, a @ lean[:, seen])

    def _around(self, moments: Floats, sides: Floats) -> Floats:
        """Return left, right, top and bottom, mm, of what a frame's background is taken from."""
        half = AROUND * _HALF * np.sqrt(moments[2:4])
        near = np.repeat(moments[:2], 2) + np.array([-half[0], half[0], -half[1], half[1]])
        near[::2] = np.maximum(near[::2], sides[::2])
        near[1::2] = np.minimum(near[1::2], sides[1::2])
        sound = near[1] > near[0] and near[3] > near[2]
        return near if sound and _area(near) < 0.5 * _area(sides) else sides

    def _halo_sums(self, moments: Floats, power: float, spans: list[tuple[float, float]]) -> Floats:
        """Return the scattered light's sums (7, 7) over the window."""
        width = self.stray.scatter_width * self.traits.pitch
        top = self.stray.scatter * power / (math.pi * width**2)
        return np.asarray(top * np.outer(*(_powers(*s, width) for s in spans)))

    def _scattered(
        self, moments: Floats, power: float, box: Floats, sigma: float
    ) -> tuple[Floats, Floats]:
        """Return what a frame takes the scattered light for, and from where slopes are left out.

        Level in pixel values about the centroid, and slopes per mm (3,): a plane through it over
        the ring around the beam; and two standard uncertainties of the slopes (2,).
        """
        pitch = self.traits.pitch
        width = self.stray.scatter_width * pitch
        x = (box[1] - box[0]) * _EVEN + box[0] - moments[0]
        y = (box[3] - box[2]) * _EVEN + box[2] - moments[1]
        xx, yy, xy = moments[2:5]
        det = max(xx * yy - xy * xy, 1e-9 * xx * yy)
        distance = (yy * x * x)[None, :] + (xx * y * y)[:, None] - 2 * xy * np.outer(y, x)
        distance /= det
        beyond = distance > 25
        if np.count_nonzero(beyond) < 8:
            beyond = distance >= np.sort(distance, axis=None)[-8]
        row, column = np.nonzero(beyond)
        u, v = x[column], y[row]
        light = np.exp(-(u * u + v * v) / width**2)
        light *= self.stray.scatter * power * pitch**2 / (math.pi * width**2)
        design = np.stack([np.ones_like(u), u, v])
        normal = design @ design.T
        plane = np.linalg.solve(normal + 1e-9 * np.diag(np.diag(normal)), design @ light)
        each = _area(box) / pitch**2 / len(_EVEN) ** 2
        return plane, 2 * sigma / np.sqrt(each * np.diag(normal)[1:])

    def _flags(
        self, spot: _Spot, exposure: float, covariance: Floats, sigma: float
    ) -> dict[str, Flag]:
        sensor, flags = self.traits.sensor, []
        brightest = spot.peak * exposure / sensor.full_well
        if brightest > 1:
            part = 1 - 1 / brightest
            shift = _saturated(spot.moments, brightest)
            words = f"{percent(part)} of the beam's area"
            flags.append(Flag(FlagKind.SATURATED, words, shift=shift))
        if spot.level:
            strongest = max(spot.level.values())
            use = Use.DIRECTION if strongest >= THRESHOLDS.edge_strong else Use.ALL
            where = ", ".join(f"{name} {percent(v)}" for name, v in spot.level.items())
            words = f"light at the sensor's edge, of the peak: {where}"
            flags.append(Flag(FlagKind.CLIPPED_BY_SENSOR, words, use))
        widest = max(float(spot.moments[2:4].max()), 1e-300)
        unsteady = math.sqrt(float(covariance[[3, 4], [3, 4]].max())) / widest / 2
        if unsteady >= NOISY:
            words = f"widths are good to {percent(unsteady)}"
            flags.append(Flag(FlagKind.NOT_CONVERGED, words))
        if self._hottest * exposure * sensor.gain > _HOT * sigma:
            words = f"{sensor.hot_pixels} pixels replaced by their neighbours"
            flags.append(Flag(FlagKind.HOT_PIXELS, words, Use.ALL))
        if spot.hard:
            words = "a hard edge on most of the outline"
            flags.append(Flag(FlagKind.CLIPPED_BY_APERTURE, words, Use.ALL))
        return {flag.kind.value: flag for flag in flags}

    def _dark(self, level: float, sigma: float, significance: float) -> BeamProfile:
        """Return the profile of a frame in which no beam is found: it could be anywhere."""
        sides, sensor = self._sides, self.traits.sensor
        x, y = float(sides[:2].mean()), float(sides[2:].mean())
        wide, high = sides[1] - sides[0], sides[3] - sides[2]
        size = [wide, high, wide**2, high**2, wide * high]
        size += [wide**3, wide**2 * high, wide * high**2, high**3]
        words = f"no light above {significance:.1f} σ; {_FAINTEST:g} σ are needed"
        return BeamProfile(
            moments=np.array([x, y, *[0.0] * 7]),
            covariance=np.diag(np.square(size) / 12),
            power=0.0,
            power_uncertainty=_FAINTEST * sigma * math.sqrt(sensor.rows * sensor.columns),
            background=level,
            noise=sigma,
            peak=5 * sigma,
            flags={FlagKind.DARK.value: Flag(FlagKind.DARK, words, Use.NOTHING)},
            plane=self._plane,
            window=(x, y, float(wide) / 2, float(high) / 2, 0.0),
            view=self.traits.view,
        )


class _Seen(Truth):
    """What a power meter reads, from the rays that the cameras share."""

    trace: MomentTrace

    def through(self, pinhole: Pinhole, positions: Mapping[str, float] | None = None) -> float:
        """See :meth:`.Truth.through`."""
        if positions is not None:
            return super().through(pinhole, positions)
        return self.trace.through(pinhole)


def detectors_of(fidelity: str, truth: Truth) -> tuple[Callable[..., SimulatedCamera], Truth]:
    """Return what makes the cameras of a bench, and what its power meters read from.

    Raises
    ------
    UnknownNameError
        For a fidelity that does not exist.
    """
    if fidelity not in get_args(Fidelity):
        raise unknown_name("fidelity", fidelity, get_args(Fidelity), "simulated bench")
    if fidelity == "frames":
        return SimulatedCamera, truth
    seen = _Seen(truth.world, truth.train, truth.planes)
    seen.trace = MomentTrace(truth.world, truth.train)
    return partial(MomentCamera, seen.trace), seen


@dataclass(frozen=True, slots=True, eq=False)
class _Noise:
    """What noise does to power and moments.

    ``factor`` (10, k) of the covariance of what is drawn for every frame, ``shift`` (10,) that all
    frames have, and ``hidden`` (10, m) of the covariance of what a frame states of that shift.
    """

    factor: Floats
    shift: Floats
    hidden: Floats


def _saturated(moments: Floats, brightest: float) -> tuple[float, ...]:
    """Return what the light above the top of the range would do to the moments of a Gaussian."""
    lost = 1 - (1 + math.log(brightest)) / brightest
    return (0.0, 0.0, *(-lost * moments[2:5]).tolist(), *[0.0] * 4)


def _flagged(profile: BeamProfile, kind: FlagKind, words: str, use: Use) -> BeamProfile:
    return replace(profile, flags={kind.value: Flag(kind, words, use), **profile.flags})


def _moments(p: Floats, w: Floats, blur: Floats) -> Floats:
    """Return the (9,) moments of points ``p`` (2, n), mm, with weights ``w`` that sum to 1."""
    mean = p @ w
    x, y = p - mean[:, None]
    wx, wy = w * x, w * y
    wxx, wxy, wyy = wx * x, wx * y, wy * y
    second = np.array([wxx.sum() + blur[0, 0], wyy.sum() + blur[1, 1], wxy.sum() + blur[0, 1]])
    third = np.array([wxx @ x, wxx @ y, wyy @ x, wyy @ y])
    return np.concatenate([mean, second, third])


def _levels(room: Floats, reach: Floats, whole: Floats, hard: bool, rim: float) -> dict[str, float]:
    """Return the light at the sensor's lit sides over the peak, by the side's name."""
    found = {}
    for k, (a, _) in enumerate(_SIDES):
        if hard:
            out = max(room[k], 0.0) / max(reach[k], 1e-300)
            level = max(rim, 1e-3) ** (out * out) if out < 1 else 0.0
        else:
            level = math.exp(-(max(room[k], 0.0) ** 2) / (2 * max(float(whole[2 + a]), 1e-300)))
        if level > THRESHOLDS.edge_light:
            found[_NAMES[k]] = min(level, 1.0)
    return found


def _area(box: Floats) -> float:
    return float((box[1] - box[0]) * (box[3] - box[2]))


def _root_det(moments: Floats) -> float:
    return math.sqrt(max(float(moments[2] * moments[3] - moments[4] ** 2), 0.0))


def _powers(low: float, high: float, width: float = math.inf) -> Floats:
    """Return ∫ x^p exp(−x²/width²) dx from ``low`` to ``high``, for p from 0 to 6."""
    x = (high + low) / 2 + (high - low) / 2 * _NODES
    w = _WEIGHTS * (high - low) / 2
    if math.isfinite(width):
        w = w * np.exp(-((x / width) ** 2))
    return np.asarray(x ** _ORDERS[:, None] @ w)


def _plain_powers(low: float, high: float) -> list[float]:
    """Return ∫ x^p dx from ``low`` to ``high``, for p from 0 to 6."""
    return [(high ** (p + 1) - low ** (p + 1)) / (p + 1) for p in range(7)]


def _signal(moments: Floats) -> Floats:
    """Return E x^p y^q (7, 7) of an even ellipse along x and y with these second moments."""
    a, b = math.sqrt(moments[2]), math.sqrt(moments[3])
    return np.asarray(_DISK * [[a**p] for p in range(7)] * [b**q for q in range(7)])


def _factor(matrix: Floats) -> Floats:
    """Return a Cholesky factor of ``matrix``, taken of the correlations so that units cancel."""
    size = np.sqrt(np.maximum(matrix.diagonal(), 1e-300))[:, None]
    ratio = matrix / size / size.T + _RIDGE
    return np.asarray(size * np.linalg.cholesky(ratio))
