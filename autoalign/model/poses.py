"""Where every part stands for given axis positions and unknowns, and what each unknown displaces.

A part hangs on a stack of stages: each axis that carries it, outermost first, then its place on
paper, then how it is mounted. Every stage is the exponential of a twist; all of them are taken in
one go, and once more, with a complex step in each unknown, for derivatives.
"""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.model.unknowns import Unknowns, twist_of
from autoalign.optics.layout import Layout
from autoalign.optics.pose import Array, Pose, place

__all__ = ["GENERATORS", "STEP", "Stack", "Stand", "carry_twist", "exp", "vee"]

# Small rigid displacements as twists.
#
# A twist is (turn, shift), six numbers. Everything keeps complex numbers, for complex steps.

STEP = 1e-30
"""Size of the complex step: far below rounding, so that derivatives are exact."""


_ONE = np.eye(3)
GENERATORS = np.array(
    [
        [[0, 0, 0], [0, 0, -1], [0, 1, 0]],
        [[0, 0, 1], [0, 0, 0], [-1, 0, 0]],
        [[0, -1, 0], [1, 0, 0], [0, 0, 0]],
    ],
    dtype=float,
)
"""Cross-product matrices of the three unit vectors."""
SMALL = 0.01
"""Below this squared angle four terms are good to 1e-14."""


def exp(twist: Array) -> Pose:
    """Return the displacement of ``twist`` (..., 6), rad and mm; series, good to 1e-11 at 1 rad.

    R = 1 + a[w] + b[w]², p = (1 + b[w] + c[w]²) v with a = sin θ/θ, b = (1 − cos θ)/θ²,
    c = (θ − sin θ)/θ³ (Lie group SE(3): R. M. Murray, Z. Li and S. S. Sastry, A Mathematical
    Introduction to Robotic Manipulation, 1994, chapter 2, from memory).
    """
    w, v = twist[..., :3], twist[..., 3:]
    s = (w * w).sum(axis=-1)
    terms = 4 if np.abs(s.real).max(initial=0.0) < SMALL else 7
    a, b, c = _series(s, _RATIOS[:, :terms])[..., None, None]
    cross = (w @ GENERATORS.reshape(3, 9)).reshape(*w.shape, 3)
    square = cross @ cross
    rotation = _ONE + a * cross + b * square
    position = ((_ONE + b * cross + c * square) @ v[..., None])[..., 0]
    return Pose(rotation, position)


_RATIOS = np.array(
    [[1, 6, 20, 42, 72, 110, 156], [2, 12, 30, 56, 90, 132, 182], [6, 20, 42, 72, 110, 156, 210]],
    dtype=float,
)
"""Of a, b and c: what each term of the series is divided by, against the one before it."""


def _series(s: Array, ratios: Array) -> Array:
    """1/r₀ (1 − s/r₁ (1 − s/r₂ (…))) for each row of ``ratios``, (rows, …)."""
    steps = ratios.T.reshape(ratios.shape[1], -1, *([1] * s.ndim))
    total: Array = 1 - s / steps[-1]
    for r in steps[-2:0:-1]:
        total = 1 - s / r * total
    found: Array = total / steps[0]
    return found


def vee(base: Pose, varied: Pose) -> Array:
    """Return the twist (..., 6), in the frame of ``base``, by whose step ``varied`` differs."""
    back = np.swapaxes(base.rotation, -1, -2)
    turn = back @ varied.rotation.imag / STEP
    shift = (back @ varied.position.imag[..., None])[..., 0] / STEP
    w = np.stack([turn[..., 2, 1], turn[..., 0, 2], turn[..., 1, 0]], axis=-1)
    return np.concatenate([w, shift], axis=-1)


def carry_twist(pose: Pose) -> Array:
    """Return the matrix (..., 6, 6) that carries twists ω, v along ``pose`` into its frame."""
    rotation = pose.rotation
    out = np.zeros((*rotation.shape[:-2], 6, 6))
    out[..., :3, :3] = out[..., 3:, 3:] = rotation
    cross = (pose.position @ GENERATORS.reshape(3, 9)).reshape(rotation.shape)
    out[..., 3:, :3] = cross @ rotation
    return out


Floats = npt.NDArray[np.float64]
Places = npt.NDArray[np.intp]


@dataclass(frozen=True, slots=True, eq=False)
class _Part:
    """One rigid part: its place on paper, its stages among all, the mounting last, and the ways in
    which unknowns displace it among all ways."""

    name: str
    nominal: Pose
    stages: slice
    ways: slice


@dataclass(frozen=True, slots=True, eq=False)
class Stand:
    """How the parts stand: ``poses`` by name, each (measurements, …)."""

    poses: dict[str, Pose]
    _stack: Stack
    _twists: Floats
    _amounts: Floats
    _steps: Pose
    _tails: tuple[list[Floats], list[Floats]]
    """What follows each stage down to its part: rotations and positions (measurements, …)."""

    def displacements(self) -> dict[str, tuple[Places, Floats]]:
        """Return by part its unknowns (u,), and how each displaces it (measurements, u, 6).

        As a twist in the part's own frame per unit of the unknown.
        """
        stack = self._stack
        of = stack.stage_of_way
        ways = stack.ways * self._amounts[:, of, None]
        ways[:, stack.offsets] = self._twists[:, of[stack.offsets]]
        at = self._twists * self._amounts[..., None]
        varied = exp(at[:, of] + 1j * STEP * ways)
        base = Pose(self._steps.rotation[:, of], self._steps.position[:, of])
        carry = carry_twist(Pose(*(np.stack(c, axis=1) for c in self._tails)).inverse())
        moved = (carry[:, of] @ vee(base, varied)[..., None])[..., 0]
        out = {}
        for part in stack.parts:
            unknowns = stack.unknown_of_way[part.ways]
            out[part.name] = unknowns, moved[:, part.ways]
        return out


class Stack:
    """The stages of all parts of one bench, and the ways in which unknowns change their twists.

    Way w changes the twist of stage ``stage_of_way[w]`` by ``ways[w]`` (6,), times the amount by
    which that stage goes, per unit of unknown ``unknown_of_way[w]``; but ``offsets`` are the ways
    that change the amount itself.

    Parameters
    ----------
    layout, axes, unknowns
        The bench on paper, the axes that move, and what is not known of it.
    """

    def __init__(self, layout: Layout, axes: Sequence[Axis], unknowns: Unknowns) -> None:
        place_of = {a.name: k for k, a in enumerate(axes)}
        parts: list[_Part] = []
        nominal: list[Floats] = []
        bends: list[tuple[int, slice, Floats]] = []
        offsets: list[int | None] = []
        columns: list[int | None] = []
        stages: list[int] = []
        ways: list[Floats] = []
        places: list[int] = []
        self.offsets: list[int] = []
        for name, pose in place(layout).items():
            first, way = len(nominal), len(ways)
            for motion in (m for m in layout.motions if m.part == name):
                twist, per_unknown = twist_of(motion)
                stage = len(nominal)
                nominal.append(twist)
                offset = unknowns.block(motion.axis, "offset").start
                self.offsets.append(len(ways))
                stages.append(stage)
                ways.append(np.zeros(6))
                places.append(offset)
                offsets.append(offset)
                columns.append(place_of.get(motion.axis))
                if motion.axis in place_of:
                    block = unknowns.block(motion.axis, "twist")
                    bends.append((stage, block.slice, per_unknown))
                    stages += [stage] * len(per_unknown)
                    ways += list(per_unknown)
                    places += range(block.start, block.stop)
            block = unknowns.block(name, "rigid")
            stages += [len(nominal)] * 6
            ways += list(np.eye(6))
            places += range(block.start, block.stop)
            bends.append((len(nominal), block.slice, np.eye(6)))
            nominal.append(np.zeros(6))
            offsets.append(None)
            columns.append(None)
            parts.append(_Part(name, pose, slice(first, len(nominal)), slice(way, len(ways))))
        self.parts = tuple(parts)
        self.stage_of_way = np.array(stages, dtype=np.intp)
        self.unknown_of_way = np.array(places, dtype=np.intp)
        self.ways = np.array(ways)
        self._nominal, self._bends = np.array(nominal), bends
        self._offsets, self._columns = offsets, columns

    def stand(self, x: Floats, theta: Floats) -> Stand:
        """Return how the parts are at ``x`` (measurements, axes), from the middle of each axis, for
        the unknowns ``theta`` (unknowns,), mm or rad."""
        twists = self._nominal.copy()
        for stage, block, per_unknown in self._bends:
            twists[stage] += theta[block] @ per_unknown
        amounts = np.ones((len(x), len(twists)))
        for k, (offset, column) in enumerate(zip(self._offsets, self._columns, strict=True)):
            if offset is not None:
                amounts[:, k] = theta[offset] + (x[:, column] if column is not None else 0.0)
        steps = exp(twists * amounts[..., None])
        poses = {}
        rotations: list[Floats] = [np.zeros(0)] * len(twists)
        positions: list[Floats] = [np.zeros(0)] * len(twists)
        for part in self.parts:
            last = part.stages.stop - 1
            pose = part.nominal.compose(Pose(steps.rotation[:, last], steps.position[:, last]))
            for k in range(last - 1, part.stages.start - 1, -1):
                rotations[k], positions[k] = pose.rotation, pose.position
                pose = Pose(steps.rotation[:, k], steps.position[:, k]).compose(pose)
            rotations[last] = np.broadcast_to(np.eye(3), pose.rotation.shape)
            positions[last] = np.zeros_like(pose.position)
            poses[part.name] = pose
        twists = np.broadcast_to(twists, (len(x), *twists.shape))
        return Stand(poses, self, twists, amounts, steps, (rotations, positions))
