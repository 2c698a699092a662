"""The demo's collimator with its beam lost: off the far screen, or off both.

The rest of the misalignment is drawn from the family's own ranges; ``hidden`` takes the place of
both.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np

from autoalign.optics.layout import Layout
from autoalign_simulators.collimator import AXES, START
from autoalign_simulators.collimator import simulate as collimator
from autoalign_simulators.moments import Fidelity
from autoalign_simulators.simulation import BenchSimulation

__all__ = ["far_dark", "wholly_dark"]

_STREAM = 77


def far_dark(
    seed: int,
    hidden: Mapping[str, float] | None = None,
    layout: Layout | None = None,
    fidelity: Fidelity = "frames",
    **options: Any,
) -> BenchSimulation:
    """Return a collimator whose beam misses the far screen, which is smaller than the demo's.

    The mirror is off by 14 to 16 mrad in a direction that is drawn; its mount reaches 20.
    """
    off = _tilted(seed, 14e-3, 16e-3) if hidden is None else hidden
    fields = {"near": 64.0, "far": 84.0}
    return collimator(seed, hidden=off, fields=fields, layout=layout, fidelity=fidelity, **options)


def wholly_dark(
    seed: int,
    hidden: Mapping[str, float] | None = None,
    layout: Layout | None = None,
    fidelity: Fidelity = "frames",
    **options: Any,
) -> BenchSimulation:
    """Return a collimator whose beam misses both screens.

    The mirror is off by 72 to 80 mrad in a direction that is drawn; its mount reaches 95.
    """
    off = _tilted(seed, 72e-3, 80e-3) if hidden is None else hidden
    wide = {"mirror.tip": 0.095, "mirror.tilt": 0.095}
    axes = [
        replace(a, lower=-wide[a.name], upper=wide[a.name]) if a.name in wide else a for a in AXES
    ]
    return collimator(seed, hidden=off, axis_list=axes, layout=layout, fidelity=fidelity, **options)


def _tilted(seed: int, least: float, most: float) -> dict[str, float]:
    rng = np.random.default_rng([seed, _STREAM])
    hidden = {name: float(rng.uniform(-width, width)) for name, width in START.items()}
    size, phi = rng.uniform(least, most), rng.uniform(0.0, 2 * math.pi)
    hidden["mirror.tip"] = float(size * math.cos(phi))
    hidden["mirror.tilt"] = float(size * math.sin(phi))
    return hidden
