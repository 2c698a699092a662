"""Benches of every shape that the job knows, aligned from frames by the default strategy."""

from __future__ import annotations

from typing import Any

import pytest
from autoalign_simulators import collimator

from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.run.align import align

EVERYDAY = OffAxisParaboloid(150, 35, 30)


def shape(alpha: float, f_number: float) -> Layout:
    """Return a collimator of 30 mm aperture, the source a little wider."""
    optic = OffAxisParaboloid(30 * f_number, alpha, 30)
    return collimator_layout(optic, 0.1, min(0.6 / f_number, 0.4), 660e-6)


def aligned(layout: Layout, seed: int, **settings: Any) -> None:
    """Align from the family's usual misalignment; the noise-free truth judges."""
    simulation = collimator.simulate(seed, layout=layout, pixels=256, **settings)
    bench = simulation.bench()
    result = align(bench, budget=20)
    assert result.in_spec, result.reason
    assert simulation.truth.in_spec(bench.spec)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
@pytest.mark.parametrize(
    ("alpha", "f_number"),
    [(15, 2), (15, 20), (60, 2), (60, 5), (90, 5), (90, 20), (120, 5), (120, 20)],
)
def test_from_15_to_120_degrees_and_f_2_to_f_20(alpha: float, f_number: float, seed: int) -> None:
    """±1 mm and ±4 mrad off at the start, whatever the mirror's shape."""
    aligned(shape(alpha, f_number), seed)


@pytest.mark.slow
@pytest.mark.parametrize(("alpha", "part"), [(90, 0.5), (120, 0.25)])
def test_fast_mirrors_far_off_axis_from_a_better_start(alpha: float, part: float) -> None:
    """At f/2 and 90° or more, the usual ±1 mm sideways throws the beam off the far screen."""
    hidden = {axis: 0.7 * part * width for axis, width in collimator.START.items()}
    for sign in (-1, 1):
        aligned(shape(alpha, 2), 0, hidden={a: sign * v for a, v in hidden.items()})


@pytest.mark.slow
@pytest.mark.parametrize(
    ("core", "na", "emission"), [(0.0, 0.08, "gaussian"), (1.0, 0.3, "uniform")]
)
def test_from_a_single_mode_to_the_core_of_an_led(core: float, na: float, emission: Any) -> None:
    """A diffraction-limited point and a face of 1 mm both end in spec."""
    aligned(collimator_layout(EVERYDAY, core, na, 660e-6, emission=emission), 1)


@pytest.mark.slow
def test_a_mirror_five_times_larger() -> None:
    """150 mm of aperture, 600 mm of focal length, screens at 1 m and 8 m."""
    optic = OffAxisParaboloid(600, 45, 150)
    layout = collimator_layout(optic, 0.2, 0.12, 660e-6, planes=(("near", 1000.0), ("far", 8000.0)))
    aligned(layout, 0, fields={"near": 220.0, "far": 300.0})


@pytest.mark.slow
def test_two_wavelengths_at_once() -> None:
    """Mirrors do not tell them apart, and neither does the alignment."""
    aligned(collimator_layout(EVERYDAY, 0.0, 0.08, 660e-6, others=((850e-6, 0.3),)), 0)


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1])
def test_chips_dust_and_a_ghost(seed: int) -> None:
    """Nicks, grains and a window's ghost inside the beam: in spec by the truth without a ghost."""
    aligned(collimator.demo_layout(), seed, blemishes=True, ghost=True)
