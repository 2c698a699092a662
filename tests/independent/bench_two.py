"""Bench two: a fast 90° mirror, 50 mm and f/1.5, source on three shifts, mirror on three turns.

All its data are invented. The source's lateral shifts are at 45° to the plane of incidence; the
mirror turns about its normal and about lines in its own face; the near camera hangs sideways, the
far one upside down, with oblong pixels. The light is gaussian.
"""

from __future__ import annotations

import dataclasses
import math

import numpy as np
import numpy.typing as npt

from autoalign import (
    Axis,
    Motion,
    OffAxisParaboloid,
    Spec,
    VirtualClock,
    collimator_layout,
)
from tests.independent.parts import LIGHTS, Counter
from tests.independent.rays import Paraboloid
from tests.independent.world import (
    CameraPlan,
    Design,
    Hidden,
    World,
    start_with_light,
    wrong_motions,
)

__all__ = ["DESIGN", "world"]

Floats = npt.NDArray[np.float64]

RHO, ANGLE, CORE = 50.0, math.radians(90), 0.05
NA = math.sin(math.atan(1 / 3))
HALF = math.sqrt(0.5)
NORMAL = (-HALF, 0.0, HALF)
PIVOT = (25 * HALF, 0.0, -25 * HALF)
TOLERANCES = (1e-4, 3e-4, 0.02)

MOTIONS = (
    Motion("stage.u", "source", "shift", (0.0, HALF, HALF)),
    Motion("stage.v", "source", "shift", (0.0, HALF, -HALF)),
    Motion("stage.w", "source", "shift", (1.0, 0.0, 0.0)),
    Motion("holder.roll", "mirror", "turn", NORMAL, PIVOT),
    Motion("holder.tip", "mirror", "turn", (HALF, 0.0, HALF), PIVOT),
    Motion("holder.tilt", "mirror", "turn", (0.0, -1.0, 0.0), PIVOT),
)

AXES = (
    # axis, size of a count, counter at position 0
    (Axis("stage.u", "mm", -2, 2, 0.0002, 0.003, speed=0.5), 0.0002, 10000),
    (Axis("stage.v", "mm", -2, 2, 0.0002, 0.003, speed=0.5), -0.0002, 10000),
    (Axis("stage.w", "mm", -1, 3, 0.0005, 0.004, -1, speed=0.5), 0.0005, -500),
    (Axis("holder.roll", "rad", -0.06, 0.06, 5e-6, 4e-5, speed=0.02), -5e-6, 300),
    (Axis("holder.tip", "rad", -0.03, 0.03, 2e-6, 2e-5, speed=0.01), 2e-6, -1234),
    (Axis("holder.tilt", "rad", -0.03, 0.03, 2e-6, 2e-5, speed=0.01), 2e-6, 99),
)

DESIGN = Design(
    name="independent bench two",
    mirror=Paraboloid(RHO, ANGLE, 46.0),
    core=CORE,
    na=NA,
    cone=lambda sine: np.exp(-2.0 * (sine / NA) ** 2),
    edge=1.35 * NA,
    layout=dataclasses.replace(
        collimator_layout(
            OffAxisParaboloid(RHO, 90.0, 46.0),
            CORE,
            NA,
            850e-6,
            planes=(("near", 300.0), ("far", 1500.0)),
            pivot=PIVOT,
            emission="gaussian",
        ),
        motions=MOTIONS,
    ),
    cameras={
        "near": CameraPlan(
            300.0, (320, 256), (0.22, 0.22), np.array([[0.0, 1.0], [1.0, 0.0]]), (120.0, 170.5)
        ),
        "far": CameraPlan(
            1500.0, (300, 280), (0.32, 0.28), np.array([[-1.0, 0.0], [0.0, 1.0]]), (139.5, 149.5)
        ),
    },
    spec=Spec.collimation(*TOLERANCES, source_divergence=CORE / RHO, waist=RHO),
    tolerances=TOLERANCES,
    uncertainties={
        "scale": 0.02, "direction": 0.03, "pivot": 8.0, "turn": 0.005, "shift": 0.3,
        "aim": 0.01, "pitch": 0.002, "pixel_aspect": 0.0005, "roll": 0.008,
        "fiducial": 0.01, "distance": 0.001,
    },
    edge_at=2.0,
    figure=15e-6,
)  # fmt: skip


def world(seed: int, light: str = "plain") -> World:
    """Return the bench with the misalignment and the imperfections of ``seed``."""
    return start_with_light(lambda rng: _world(rng, light), 5000 + seed)


def _world(rng: np.random.Generator, light: str) -> World:
    known = DESIGN.uncertainties
    hidden = Hidden(
        source=rng.uniform(-0.4, 0.4, 3),
        mirror=np.array([*rng.uniform(-0.005, 0.005, 2), rng.uniform(-0.012, 0.012)]),
        aim=rng.normal(0, 0.01, 2),
        motions=wrong_motions(MOTIONS, known, rng),
    )
    counters = [
        Counter(
            axis, size, zero,
            scale=1 + rng.normal(0, known["scale"]),
            lost=axis.backlash * rng.uniform(0.5, 1.0),
            ripple=axis.resolution,
            period=250 * axis.resolution,
        )
        for axis, size, zero in AXES
    ]  # fmt: skip
    stages = {"source": counters[:3], "mirror": counters[3:]}
    return World(DESIGN, hidden, stages, LIGHTS[light], VirtualClock(), rng)
