"""Focuser, relay and steering benches, and collimators of every shape."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from autoalign_simulators import benches, collimator, focuser, lost, relay, steering
from autoalign_simulators.camera import SimulatedCamera

from autoalign.beam.frame.analyse import measure_beam
from autoalign.beam.profile import BeamProfile, Use
from autoalign.bench import Bench
from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.core.interfaces import Reading
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout, steering_layout

BENCH_TYPES = ("collimator", "focuser", "relay", "steering")


def bench_of(kind: str, **options: Any) -> Bench:
    """Return a bench of ``kind``."""
    bench: Bench = getattr(benches, kind)(**options)
    return bench


@pytest.mark.slow
@pytest.mark.parametrize("kind", BENCH_TYPES)
@pytest.mark.parametrize("seed", range(4))
def test_every_family_starts_out_of_spec_and_can_be_brought_in(kind: str, seed: int) -> None:
    """At the hidden aligned readings, reached from below, the exact beam is in spec."""
    bench = bench_of(kind, seed=seed)
    assert bench.spec is not None
    assert not bench.truth.in_spec(bench.spec)
    for back in (True, False):
        for name, target in bench.truth.aligned().items():
            axis = bench.axes[name]
            assert axis.reachable[0] < target < axis.reachable[1]
            bench.stage_of(name).start_move(name, target - back * axis.overshoot)
        bench.clock.sleep(60.0)
    assert bench.truth.in_spec(bench.spec)


@pytest.mark.slow
@pytest.mark.parametrize("kind", BENCH_TYPES)
def test_what_is_measured_is_what_is_true(kind: str) -> None:
    """The measuring side reads centroid and widths off the frames as the truth has them.

    Within four standard deviations of what the bench says of marks, pitch and distances, plus the
    roll of the screens (half a degree, which the bench does not state) and 1 % of the width.
    """
    bench = bench_of(kind, seed=2)
    exact = bench.truth.moments()
    for name, detector in bench.detectors.items():
        if not isinstance(detector, SimulatedCamera):
            continue
        seen = measure_beam(detector.acquire(1, 0.0, 1e3)[0]).in_plane_axes()
        away = float(np.hypot(*exact[name][:2]))
        u = bench.uncertainties
        margin = 4 * (u[f"{name}.fiducial"] + (u[f"{name}.pitch"] + 0.01) * away)
        assert seen.centroid == pytest.approx(exact[name][:2], abs=margin)
        width = 4 * np.sqrt(exact[name][2:4].max())
        assert seen.width_x == pytest.approx(4 * np.sqrt(exact[name][2]), abs=0.025 * width)
        assert seen.width_y == pytest.approx(4 * np.sqrt(exact[name][3]), abs=0.025 * width)


def test_beam_walk_law() -> None:
    """Mirrors at 0 and L, targets at z1 < z2: x_i = 2[z_i θ1 + (z_i − L) θ2]."""
    # Derived here: two flats at first order in the angles.
    truth = steering.simulate(0, ideal=True).truth
    first, second = 3e-5, -7e-5
    moments = truth.moments({"first.tilt": first, "second.tilt": second})
    for plane, away in (("near", 200.0), ("far", 2000.0)):
        z = 300 + away
        signs = [2 * (z * a * first + away * b * second) for a in (1, -1) for b in (1, -1)]
        assert min(abs(moments[plane][0] - x) for x in signs) < 1e-4


@pytest.mark.slow
def test_walking_the_beam_contracts_by_the_known_factor() -> None:
    """First mirror onto near, second onto far: each cycle leaves k = z2(z1 − L)/(z1(z2 − L))."""
    # Derived here from the beam-walk law; with z1 = 500, z2 = 2300, L = 300: k = 0.46.
    truth = steering.simulate(0, ideal=True).truth
    at = {"first.tilt": 1e-4, "second.tilt": 2e-4}

    def centre(axis: str, plane: str) -> None:
        """Turn one mirror until its target is hit, by the secant through a small step."""
        here = truth.moments(at)[plane][0]
        there = truth.moments({**at, axis: at[axis] + 1e-5})[plane][0]
        at[axis] -= here * 1e-5 / (there - here)

    misses = []
    for _ in range(4):
        centre("first.tilt", "near")
        centre("second.tilt", "far")
        misses.append(truth.moments(at)["near"][0])
    ratios = np.array(misses[1:]) / np.array(misses[:-1])
    assert ratios == pytest.approx(np.full(3, 2300 * 200 / (500 * 2000)), rel=1e-3)


def test_a_gaussian_beam_spreads_by_diffraction() -> None:
    """A waist of 1 mm at 660 nm has d² = d0² + (4λ/(π d0))² z² at the far target."""
    # B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section 3.1, from memory.
    layout = steering_layout(1.0, 660e-6)
    truth = steering.simulate(0, ideal=True, layout=layout).truth
    z = 100 + 300 + 2000
    want = np.hypot(1.0, 4 * 660e-6 / np.pi * z)
    assert truth.parameters()["far.xx"] == pytest.approx(want, rel=2e-3)


def test_single_mode_collimation() -> None:
    """D = 2 f NA and half-angle 2λ/(πD): 660 nm, f 12 mm, NA 0.08 give 1.92 mm and 0.22 mrad."""
    # B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section 3.1, from memory.
    layout = collimator_layout(OffAxisParaboloid(12, 35, 5), 0.0, 0.08, 660e-6, emission="gaussian")
    simulation = collimator.simulate(0, ideal=True, layout=layout)
    parameters = simulation.truth.parameters()
    assert parameters["near.xx"] == pytest.approx(np.hypot(1.92, 2 * 0.22e-3 * 400), rel=0.01)
    grown = np.sqrt(parameters["far.xx"] ** 2 - 1.92**2) / (2400 + 12)
    assert grown / 2 == pytest.approx(0.22e-3, rel=0.02)


def test_a_perfect_focus_is_as_wide_as_diffraction_and_divergence() -> None:
    """d_σ = ρ √((4λ/πD)² + Θ²), in the truth and in the picture drawn by diffraction."""
    # Waist 4λρ/(πD): B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section
    # 3.2 (focusing); ρΘ in quadrature: ISO 11146-1; both from memory.
    simulation = focuser.simulate(0, ideal=True)
    want = focuser.focal_width(simulation.plan.layout)
    parameters = simulation.truth.parameters()
    assert parameters["focus.xx"] == pytest.approx(want, rel=0.01)
    assert parameters["focus.yy"] == pytest.approx(want, rel=0.01)
    image = simulation.detectors["focus"].rate(0.0).astype(float)
    row, column = np.indices(image.shape)
    w = image / image.sum()
    for k in (row, column):
        variance = (w * k * k).sum() - (w * k).sum() ** 2 - 1 / 12
        assert 4 * np.sqrt(variance) * focuser.PITCH == pytest.approx(want, rel=0.02)


def test_the_focus_moves_with_the_mirror() -> None:
    """mirror.z by 1 mm towards the focus: the spot grows on one side and shrinks on the other."""
    truth = focuser.simulate(0, ideal=True).truth
    before, after = truth.parameters({}), truth.parameters({"mirror.z": 1.0})
    assert after["inside.xx"] > 1.3 * before["inside.xx"]
    assert after["beyond.xx"] < 0.7 * before["beyond.xx"]
    assert after["divergence_xx"] - before["divergence_xx"] == pytest.approx(-0.04, rel=0.1)


@pytest.mark.slow
def test_relay_orientations_cancel_or_add_aberrations() -> None:
    """A source 1 mm off makes a far worse image where the second mirror adds its aberrations."""
    spread = {}
    for orientation in ("cancelling", "adding"):
        truth = relay.simulate(0, ideal=True, orientation=orientation).truth
        perfect, off = truth.parameters({}), truth.parameters({"source.x": 1.0})
        assert perfect["focus.xx"] == pytest.approx(0.1, rel=0.01)
        spread[orientation] = np.hypot(*off.pick(("astigmatism_0", "astigmatism_45"))[0])
    assert spread["adding"] > 10 * spread["cancelling"]


def test_power_through_the_pinhole_falls_as_the_image_leaves_it() -> None:
    """All of the image within 1.2 times its size; half when it is off by about its radius."""
    simulation = relay.simulate(3, ideal=True)
    meter = simulation.detectors["pinhole"]
    truth = simulation.truth
    reading = meter.acquire(1, 0.0, 1.0)[0]
    assert isinstance(reading, Reading)
    assert reading.plane == "focus"
    assert reading.values["power"] == pytest.approx(truth.power(), rel=0.02)
    simulation.motors["source.y"].start(0.06)
    simulation.clock.sleep(10.0)
    part = meter.acquire(1, 0.0, 100.0)[0].values["power"]
    assert 0.3 * truth.power() < part < 0.7 * truth.power()


def test_one_camera_visits_the_planes_of_a_focus() -> None:
    """The slide takes its time between planes; the planes share the camera's flaws."""
    simulation = focuser.simulate(1)
    inside, focus, beyond = (simulation.detectors[p] for p in ("inside", "focus", "beyond"))
    assert inside.acquire(1, 0.0, 10.0)[0].started == 0.0
    left = simulation.clock.now()
    assert beyond.acquire(1, 0.0, 10.0)[0].started == pytest.approx(left + 4.0 / 5.0)
    assert inside.screen.pitch == focus.screen.pitch
    assert inside.screen.distance != focus.screen.distance


@pytest.mark.parametrize("angle", [5.0, 15.0, 45.0, 90.0, 120.0])
@pytest.mark.parametrize("speed", [2.0, 5.0, 20.0])
def test_collimators_of_every_shape(angle: float, speed: float) -> None:
    """f/2 to f/20, 5° to 120°: aligned is in spec, and near and far carry the same power."""
    layout = collimator_layout(OffAxisParaboloid(speed * 30, angle, 30), 0.0, 0.2, 660e-6)
    simulation = collimator.simulate(0, ideal=True, layout=layout)
    assert simulation.truth.in_spec(simulation.plan.spec)
    near, far = (simulation.detectors[p].rate(0.0).sum(dtype=float) for p in ("near", "far"))
    assert near == pytest.approx(far, rel=1e-3)
    exact = simulation.truth.power() * simulation.detectors["near"].traits.source_rate
    assert near == pytest.approx(exact, rel=2e-3)


@pytest.mark.parametrize(
    ("core", "na", "emission"),
    [(0.0, 0.1, "gaussian"), (1.0, 0.3, "uniform"), (0.05, 0.22, "multimode")],
)
def test_sources_from_single_mode_to_a_large_core(core: float, na: float, emission: Any) -> None:
    """From a point to a 1 mm core: finite pictures, and the far beam as wide as the core says."""
    layout = collimator_layout(OffAxisParaboloid(150, 35, 30), core, na, 660e-6, emission=emission)
    simulation = collimator.simulate(0, ideal=True, layout=layout)
    parameters = simulation.truth.parameters()
    image = simulation.detectors["far"].rate(0.0)
    assert np.all(np.isfinite(image))
    assert image.min() >= 0
    growth = np.sqrt(max(parameters["far.xx"] ** 2 - parameters["near.xx"] ** 2, 0))
    floor = core / 150 * np.sqrt(2400**2 - 400**2)
    assert growth == pytest.approx(floor, rel=0.1, abs=0.3)


def test_a_lens_ends_the_view_and_bends_it() -> None:
    """Behind a lens nothing is seen outside its field, and the corners are distorted."""
    simulation = collimator.simulate(4, ideal=True, stray=True, view="lens")
    camera = simulation.detectors["far"]
    image = camera.rate(0.0)
    assert image[3, 3] == 0
    assert image[256, 6] == 0
    assert image[256, 256] > 0
    pixels = camera.traits.pixels(camera.screen)
    straight = replace(camera.traits, distortion=0.0).pixels(camera.screen)
    corner = straight.to_plane(0.0, 0.0)
    assert straight.to_pixels(*corner) == pytest.approx((0.0, 0.0), abs=1e-9)
    assert pixels.to_pixels(*corner) == pytest.approx((-0.511, -0.511), abs=1e-3)


def test_mistakes_are_named() -> None:
    """An unknown view, and a layout of another family, say what is allowed."""
    with pytest.raises(UnknownNameError, match=r"no view named 'lense'.*'lens'"):
        collimator.simulate(0, view="lense")
    demo = collimator.demo_layout()
    with pytest.raises(UsageError, match=r"the layout moves source\.x, source\.y, but this bench"):
        collimator.simulate(0, layout=replace(demo, motions=demo.motions[:2]))


@pytest.mark.parametrize("kind", [lost.far_dark, lost.wholly_dark])
def test_a_lost_beam_is_there_where_nothing_is_hidden(kind) -> None:
    """With nothing misaligned the far screen sees the whole beam; as drawn it does not."""

    def far(**options) -> BeamProfile:
        with kind(3, **options).bench() as bench:
            return measure_beam(bench.detectors["far"].acquire(1, 0.0, 60.0)[0])

    assert far(hidden=dict.fromkeys(collimator.START, 0.0)).use is Use.ALL
    assert far().use is not Use.ALL
