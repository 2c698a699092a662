"""Cameras that are really arranged as a hypothesis has it: from frames to true planes."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.beam.tensors import moment_map
from autoalign.diagnosis.hypotheses import STILL, Hypothesis
from autoalign.session import Camera

__all__ = ["to_true_plane", "true_profiles"]

Floats = npt.NDArray[np.float64]


def to_true_plane(hypothesis: Hypothesis, plane: str, cameras: Mapping[str, Camera]) -> Floats:
    """Return the (2, 2) matrix from frame axes as stated to true axes of the true plane."""
    stated, true = cameras[plane], cameras[hypothesis.place(plane)]
    zoom = np.diag([true.pitch_x / stated.pitch_x, true.pitch_y / stated.pitch_y])
    turn = np.asarray(hypothesis.turns.get(plane, STILL), dtype=float)
    matrix: Floats = turn @ np.asarray(true.view, dtype=float) @ zoom
    return matrix


def true_profiles(
    hypothesis: Hypothesis, seen: Mapping[str, BeamProfile], cameras: Mapping[str, Camera]
) -> dict[str, BeamProfile]:
    """Return what was measured under the names of the true planes, in their axes."""
    out = {}
    for plane, profile in seen.items():
        stated, true = cameras[plane], cameras[hypothesis.place(plane)]
        matrix = to_true_plane(hypothesis, plane, cameras)
        wide = moment_map(matrix)
        moments = wide @ profile.moments
        zeros = np.array(stated.origin) - np.array(true.origin)
        moments[:2] += matrix @ (zeros * [stated.pitch_x, stated.pitch_y])
        out[hypothesis.place(plane)] = replace(
            profile,
            moments=moments,
            covariance=wide @ profile.covariance @ wide.T,
            plane=hypothesis.place(plane),
            view=STILL,
        )
    return out
