"""Bench one: a 60° section of 180 mm, an f/4 fibre of 0.2 mm core, screens at 0.5 m and 3 m.

All its data are invented. Its conventions are its own: axes are called after the fibre and the
mount, two shifts and one turn count the other way, counters have their zeros elsewhere, and the
cameras are rolled by 4° and −7°, the far one behind its screen.
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

RHO, ANGLE, CORE, NA = 180.0, math.radians(60), 0.2, 0.125
ACROSS = (math.cos(ANGLE), 0.0, math.sin(ANGLE))
AWAY = (-math.sin(ANGLE), 0.0, math.cos(ANGLE))
PIVOT = (5.0, 0.0, -40.0)
TOLERANCES = (1e-4, 2e-4, 0.015)


def rolled(degrees: float, mirrored: bool) -> Floats:
    """Return the view of a camera: image axes (rows downwards) into the plane's axes."""
    c, s = math.cos(math.radians(degrees)), math.sin(math.radians(degrees))
    return np.array([[c, -s], [s, c]]) @ np.diag([-1.0 if mirrored else 1.0, -1.0])


MOTIONS = (
    Motion("fibre.across", "source", "shift", tuple(-v for v in ACROSS)),  # type: ignore[arg-type]
    Motion("fibre.height", "source", "shift", (0.0, 1.0, 0.0)),
    Motion("fibre.retreat", "source", "shift", AWAY),
    Motion("mount.pitch", "mirror", "turn", (-1.0, 0.0, 0.0), PIVOT),
    Motion("mount.yaw", "mirror", "turn", (0.0, 1.0, 0.0), PIVOT),
    Motion("mount.roll", "mirror", "turn", (0.0, 0.0, 1.0), PIVOT),
)

AXES = (
    # axis, size of a count, counter at position 0
    (Axis("fibre.across", "mm", -4, 4, 0.0005, 0.006, speed=2.0), -0.0005, 12000),
    (Axis("fibre.height", "mm", -3, 5, 0.001, 0.010, -1, speed=1.0), 0.001, -3310),
    (Axis("fibre.retreat", "mm", -8, 8, 0.002, 0.015, speed=4.0), -0.002, 5000),
    (Axis("mount.pitch", "rad", -0.02, 0.02, 2e-6, 2e-5, speed=0.01), 2e-6, 0),
    (Axis("mount.yaw", "rad", -0.025, 0.015, 1e-6, 1e-5, -1, speed=0.01), -1e-6, 40404),
    (Axis("mount.roll", "rad", -0.05, 0.05, 5e-6, 5e-5, speed=0.02), 5e-6, -777),
)

DESIGN = Design(
    name="independent bench one",
    mirror=Paraboloid(RHO, ANGLE, 64.0),
    core=CORE,
    na=NA,
    cone=lambda sine: np.exp(-3.0 * (sine / NA) ** 2.4),
    edge=1.3 * NA,
    layout=dataclasses.replace(
        collimator_layout(
            OffAxisParaboloid(RHO, math.degrees(ANGLE), 64.0),
            CORE,
            NA,
            633e-6,
            planes=(("near", 500.0), ("far", 3000.0)),
            pivot=PIVOT,
        ),
        motions=MOTIONS,
    ),
    cameras={
        "near": CameraPlan(500.0, (256, 320), (0.3, 0.3), rolled(4, False), (161.3, 120.4)),
        "far": CameraPlan(3000.0, (256, 320), (0.4, 0.4), rolled(-7, True), (150.2, 131.7)),
    },
    spec=Spec.collimation(*TOLERANCES, source_divergence=CORE / RHO, waist=RHO),
    tolerances=TOLERANCES,
    uncertainties={
        "scale": 0.03, "direction": 0.035, "pivot": 15.0, "turn": 0.005, "shift": 0.5,
        "aim": 0.01, "pitch": 0.002, "pixel_aspect": 0.0005, "roll": 0.00873,
        "fiducial": 0.01, "distance": 0.0015,
    },
    edge_at=2.0,
    figure=15e-6,
)  # fmt: skip


def world(seed: int, light: str = "plain") -> World:
    """Return the bench with the misalignment and the imperfections of ``seed``."""
    return start_with_light(lambda rng: _world(rng, light), seed)


def _world(rng: np.random.Generator, light: str) -> World:
    known = DESIGN.uncertainties
    hidden = Hidden(
        source=np.array([*rng.uniform(-1, 1, 2), rng.uniform(-2, 2)])
        @ np.array([ACROSS, (0.0, 1.0, 0.0), AWAY]),
        mirror=np.array([*rng.uniform(-0.004, 0.004, 2), rng.uniform(-0.012, 0.012)]),
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
    stages = {"fibre": counters[:3], "mount": counters[3:]}
    return World(DESIGN, hidden, stages, LIGHTS[light], VirtualClock(), rng)
