"""What a bench states of its screens explains how far its verdicts are off."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.collimator import AXES, simulate

from autoalign import measure_beam
from autoalign.beam.combine import combine, stated
from autoalign.core.frames import Frame

JUDGED = (
    "astigmatism_0",
    "astigmatism_45",
    "pointing_x",
    "pointing_y",
    "divergence_xx",
    "divergence_yy",
)


def test_pixel_aspect_is_of_a_plane_or_of_all() -> None:
    """A plane's own value comes before the one for all; what is not stated counts as exact."""
    distances = {"near": 400.0, "far": 2400.0}
    given = stated({"pixel_aspect": 1e-3, "far.pixel_aspect": 2e-3}, distances)
    assert given["u_pixel_aspect"] == {"near": 1e-3, "far": 2e-3}
    assert stated({"pitch": 1e-3}, distances)["u_pixel_aspect"] == {"near": 0.0, "far": 0.0}


@pytest.mark.slow
def test_errors_at_alignment_are_as_large_as_is_said() -> None:
    """Aligned benches of thirty seeds: errors over their uncertainties scatter by about 1.

    Without the stated squareness of the pixels those of the stretch scatter by half as much again.
    """
    aligned = dict.fromkeys((a.name for a in AXES), 0.0)
    scores, without = [], []
    for seed in range(30):
        simulation = simulate(seed, hidden=aligned)
        bench, now = simulation.bench(), simulation.clock.now()
        frames = {p: d.acquire(1, now, now + 60)[0] for p, d in simulation.detectors.items()}
        profiles = {p: measure_beam(f) for p, f in frames.items() if isinstance(f, Frame)}
        assert bench.layout is not None
        distances = {p.name: p.distance for p in bench.layout.planes}
        truth = simulation.truth.parameters()
        less = {k: v for k, v in bench.uncertainties.items() if "pixel_aspect" not in k}
        for known, found in ((bench.uncertainties, scores), (less, without)):
            parameters = combine(profiles, distances, **stated(known, distances))
            found.append([(parameters[n] - truth[n]) / parameters.u(n) for n in JUDGED])
    assert np.all(np.std(scores, axis=0) > 0.7)
    assert np.all(np.std(scores, axis=0) < 1.3)
    assert np.std(without, axis=0)[0] > 1.4
