"""Small rigid displacements as twists.

A twist is (turn, shift), six numbers. Everything keeps complex numbers, for complex steps.
"""

from __future__ import annotations

import numpy as np

from autoalign.optics.pose import Array, Pose

__all__ = ["GENERATORS", "STEP", "carry_twist", "exp", "vee"]

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
