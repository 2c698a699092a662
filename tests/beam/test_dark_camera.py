"""Cameras in a lit room without a beam: dark, whatever their room light and fixed pattern."""

from __future__ import annotations

import math

import numpy as np
import pytest
from autoalign_simulators import benches

from autoalign.beam.frame.analyse import measure_beam
from autoalign.beam.profile import BeamProfile, FlagKind, Use


def profiles(seed: int, power: float) -> list[BeamProfile]:
    """What both cameras of a simulated bench see of a source of that power."""
    bench = benches.collimator(seed=seed, misaligned=False)
    bench.truth.world.power = power
    now = bench.clock.now()
    return [measure_beam(d.acquire(1, now, now + 60)[0]) for d in bench.detectors.values()]


@pytest.mark.slow
@pytest.mark.parametrize("seed", range(50))
def test_no_beam_is_dark_and_good_for_nothing(seed: int) -> None:
    """Long exposures, sloping room light, hot pixels and fixed pattern make no beam."""
    for seen in profiles(seed, 0.0):
        assert FlagKind.DARK in seen.flags
        assert seen.use is Use.NOTHING


@pytest.mark.parametrize("power", [0.1, 0.003])
def test_a_weak_beam_in_a_lit_room_is_still_found(power: float) -> None:
    """A thousandth part of the light is a beam: its centroid is where the aligned beam is."""
    for seen in profiles(1, power):
        assert FlagKind.DARK not in seen.flags
        x, y = seen.centroid
        assert abs(x) < 5
        assert abs(y) < 5


@pytest.mark.parametrize("seed", range(4))
def test_a_faint_beam_in_a_lit_room_is_measured(seed: int) -> None:
    """At a tenth of the slope of the room light: place and width within four uncertainties."""
    bench = benches.collimator(seed=seed)
    camera = bench.detectors["far"]
    whole = camera.picture().astype(float)
    bench.truth.world.power = 1e-4
    now = bench.clock.now()
    seen = measure_beam(camera.acquire(1, now, now + 60)[0])
    pitch, (column, row) = camera.traits.pitch, camera.traits.origin
    y, x = np.mgrid[: whole.shape[0], : whole.shape[1]]
    x, y = (x - column) * pitch, (y - row) * pitch
    truth = [float((whole * axis).sum() / whole.sum()) for axis in (x, y)]
    width = 4 * math.sqrt(float((whole * (x - truth[0]) ** 2).sum() / whole.sum()))
    assert seen.use is Use.ALL
    for told, true, u in zip(seen.centroid, truth, seen.u_centroid, strict=True):
        assert abs(told - true) < 4 * u
    assert seen.width_x == pytest.approx(width, rel=0.08)
