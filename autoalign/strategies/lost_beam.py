"""Finding a beam that no detector sees: every direction the axes can reach, likeliest first.

The prior of the unknowns says where on the first plane the beam may be. That region is covered by
a hexagonal net of displacements, as fine as the beam is wide (a partly visible beam is enough), in
the order of their likelihood; the number of measurements is known before the first of them.
"""

from __future__ import annotations

import math

import numpy as np
import numpy.typing as npt

from autoalign.model.predict import BenchModel

__all__ = ["search_positions"]

Floats = npt.NDArray[np.float64]

REACH = 3.5
"""How far to search, in standard deviations of the prior."""
FINENESS = 0.7
"""Step of the net in units of the beam's width."""
MOST = 400


def search_positions(model: BenchModel, here: Floats, lower: Floats, upper: Floats) -> Floats:
    """Return the positions (n, axes) to measure at, likeliest first; their number is the bound.

    Each is the one nearest to ``here`` (axes weighed by their reach) that displaces the beam on the
    plane closest to the optics by one knot of the net. Knots out of reach are left out.
    """
    phi = np.zeros(model.size)
    near = int(np.argmin([p.distance for p in model.layout.planes]))
    seen = model.predict(here[None], phi, derivatives=True)
    assert seen.jacobian is not None
    assert seen.motion is not None
    spread = seen.jacobian[0, near, :2]
    covariance = spread @ spread.T
    width = 4 * math.sqrt(max(float(seen.moments[0, near, 2:4].mean()), 1e-12))
    reach = np.minimum(np.abs(upper - here), np.abs(here - lower)) + (upper - lower) / 10
    response = seen.motion[0, near, :2] * reach
    inverse = np.linalg.pinv(response)
    knots = _net(covariance, FINENESS * width)
    positions = here - (inverse @ knots.T).T * reach
    inside = np.all((positions >= lower) & (positions <= upper), axis=1)
    return positions[inside][:MOST]


def _net(covariance: Floats, step: float) -> Floats:
    """Hexagonal net (n, 2) over the likely displacements, likeliest first, without the middle."""
    values, vectors = np.linalg.eigh(covariance)
    far = REACH * np.sqrt(np.maximum(values, 0.0))
    count = min(math.ceil(float(far.max()) / step) + 1, 60)
    k = np.arange(-2 * count, 2 * count + 1)
    i, j = np.meshgrid(k, k)
    knots = step * np.stack([(i + j / 2).ravel(), (j * math.sqrt(0.75)).ravel()], axis=1)
    distance = np.sum((knots @ vectors) ** 2 / np.maximum(values, (step / 4) ** 2), axis=1)
    keep = (distance <= REACH**2) & (distance > 1e-9)
    if not keep.any():
        keep = (np.hypot(*knots.T) < 1.1 * step) & (distance > 1e-9)
    order = np.argsort(distance[keep], kind="stable")
    out: Floats = knots[keep][order]
    return out
