"""Small rigid displacements as twists, and how each unknown displaces each part.

A twist is (turn, shift), six numbers. Everything keeps complex numbers, for complex steps.
"""

from __future__ import annotations

import numpy as np

from autoalign.optics.pose import Array, Pose

__all__ = ["STEP", "exp", "placed", "vee"]

STEP = 1e-30
"""Size of the complex step: far below rounding, so that derivatives are exact."""


_ONE = np.eye(3)
# w @ _GENERATORS is the cross-product matrix of w, row by row.
_GENERATORS = np.array(
    [[0, 0, 0, 0, 0, -1, 0, 1, 0], [0, 0, 1, 0, 0, 0, -1, 0, 0], [0, -1, 0, 1, 0, 0, 0, 0, 0]],
    dtype=float,
)
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
    cross = (w @ _GENERATORS).reshape(*w.shape, 3)
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


def placed(nominal: Pose, motions: list[tuple[Array, Array]], rigid: Array) -> Pose:
    """Return where a part stands.

    Parameters
    ----------
    nominal
        Its place on paper.
    motions
        Twist per unit (..., 6), bench frame, and amount (...), outermost first.
    rigid
        Twist of the part as mounted (..., 6), its own frame.
    """
    twists = [twist * amount[..., None] for twist, amount in motions]
    steps = exp(np.stack(np.broadcast_arrays(rigid, *twists)))
    pose = nominal.compose(Pose(steps.rotation[0], steps.position[0]))
    for k in range(len(motions), 0, -1):
        pose = Pose(steps.rotation[k], steps.position[k]).compose(pose)
    return pose
