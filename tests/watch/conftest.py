"""Made-up measurements: what a watch decides by, without a bench."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import replace

import numpy as np
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.axes import Axis
from autoalign.spec.terms import PointingTerm, Spec
from autoalign.strategies.base import Cause, Measurement
from autoalign.watch.policy import Policy, WatchMeasurement
from autoalign.watch.state import Rules

SPEC = Spec((PointingTerm("x", 1e-4),))
AXES = {"source.x": Axis("source.x", "mm", -1.0, 1.0, resolution=1e-3)}
POLICY = Policy(interval=600.0, steady=3)

Made = Callable[..., WatchMeasurement]


@pytest.fixture(scope="session")
def rules() -> Rules:
    """Return a watch of one pointing, every ten minutes."""
    return Rules(POLICY, AXES, SPEC)


@pytest.fixture(scope="session")
def made() -> Made:
    """Return a function that makes a measurement up."""

    def make(
        time: float,
        residual: float | None = 0.0,
        *,
        noise: float = 1e-3,
        power: float = 1e6,
        position: float = 0.0,
        use: Use = Use.ALL,
    ) -> WatchMeasurement:
        """Return one at ``time`` whose pointing is off by ``residual`` tolerances."""
        flags = {} if use is Use.ALL else {"dark": Flag(FlagKind.DARK, "no light", use)}
        profile = BeamProfile(np.ones(9), np.eye(9), power, 1.0, 0.0, 1.0, 10.0, flags)
        dark = (Cause.UNMEASURED.found("far", "dark"),)
        seen = Measurement(np.array([position]), {"far": profile}, findings=dark)
        if residual is not None:
            values, covariance = np.array([residual * 1e-4]), np.array([[(noise * 1e-4) ** 2]])
            parameters = BeamParameters(("pointing_x",), values, covariance, {"far": 2400.0})
            verdict = SPEC.evaluate(parameters)
            seen = replace(seen, parameters=parameters, verdict=verdict, findings=())
        return WatchMeasurement(time, seen, {"source.x": position})

    return make
