"""A merit term: the power at a plane, against a target."""

from __future__ import annotations

from dataclasses import dataclass

import numpy as np

from autoalign.beam.parameters import BeamParameters
from autoalign.spec.terms import TermValue


@dataclass(frozen=True)
class Brightness:
    """Power at ``plane`` within ``tolerance`` of ``target``."""

    plane: str
    tolerance: float
    target: float = 1.0
    weight: float = 1.0
    name: str = "brightness"

    @property
    def quantities(self) -> tuple[str, ...]:
        """The power at the plane."""
        return (f"{self.plane}.power",)

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge the power."""
        value, u = parameters[self.quantities[0]], parameters.u(self.quantities[0])
        deviation = value - self.target
        return TermValue(
            self.name, "1", value, self.target, deviation, u, self.tolerance, self.weight,
            np.array([deviation / self.tolerance]), abs(deviation) + guard * u <= self.tolerance,
        )  # fmt: skip
