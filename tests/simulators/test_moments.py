"""Measurements without pixels are those of frames of the same bench, in all but the pixels."""

from __future__ import annotations

from collections import Counter
from typing import Any

import numpy as np
import pytest
from autoalign_simulators import benches, collimator, focuser, relay, steering
from autoalign_simulators.camera import SimulatedCamera
from autoalign_simulators.moments import MomentCamera, Placement
from autoalign_simulators.render import Renderer
from autoalign_simulators.simulation import BenchSimulation
from autoalign_simulators.truth import Truth

from autoalign import align
from autoalign.beam.frame.analyse import measure_beam
from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.core.errors import DetectorError, UnknownNameError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Evaluated
from autoalign.optics.pose import place

FAMILIES = {"collimator": collimator, "focuser": focuser, "relay": relay, "steering": steering}


def seen_by(family: str, seed: int, part: float, fidelity: str, **options: Any) -> dict[str, Any]:
    """Return the profile of every camera, with the drawn misalignment times ``part``."""
    simulation = FAMILIES[family].simulate(seed, fidelity=fidelity, **options)  # type: ignore[attr-defined]
    world = simulation.truth.world
    world.hidden = {a: part * v for a, v in world.hidden.items()}
    return {n: profile_of(simulation, n) for n in cameras(simulation)}


def cameras(simulation: BenchSimulation) -> list[str]:
    """Return the names of the cameras."""
    return [n for n, d in simulation.detectors.items() if isinstance(d, SimulatedCamera)]


def profile_of(simulation: BenchSimulation, name: str) -> BeamProfile:
    """Return what one exposure says, whether it is a frame or its moments."""
    now = simulation.clock.now()
    (taken,) = simulation.detectors[name].acquire(1, now, now + 60.0)
    if isinstance(taken, Frame):
        return measure_beam(taken)
    assert isinstance(taken, Evaluated)
    profile: BeamProfile = taken.profile
    return profile


@pytest.mark.parametrize("family", FAMILIES)
def test_a_placement_is_the_layout_s_own(family: str) -> None:
    """What is made ready to be repeated puts every part where ``place`` does."""
    layout = FAMILIES[family].simulate(5).truth.world.layout  # type: ignore[attr-defined]
    ready, rng = Placement(layout), np.random.default_rng(1)
    for _ in range(3):
        amounts = rng.normal(0, 0.02, len(layout.motions))
        asked = {m.axis: float(a) for m, a in zip(layout.motions, amounts, strict=True)}
        found = ready(amounts)
        for part, pose in place(layout, asked).items():
            np.testing.assert_allclose(found[part].rotation, pose.rotation, atol=1e-14)
            np.testing.assert_allclose(found[part].position, pose.position, atol=1e-10)


@pytest.mark.slow
@pytest.mark.parametrize("family", FAMILIES)
def test_moments_are_those_of_frames(family: str) -> None:
    """Bias and spread against frames of the same bench stay far below what a spec asks for.

    Centroids within 0.5 % of a width, widths within 1.5 %, each exposure; widths without bias to
    0.3 % in the mean; stated uncertainties within a factor of three; the same use of every frame,
    and of the flags at most one in ten another.
    """
    ratios, flags, bias, count = [], Counter[str](), [], 0
    for seed, part in ((0, 1.0), (1, 0.3), (2, 0.05)):
        pair = [seen_by(family, seed, part, f) for f in ("frames", "moments")]
        for name, frame in pair[0].items():
            moment = pair[1][name]
            assert moment.use is frame.use, name
            width = np.array([frame.width_x, frame.width_y])
            away = np.abs(moment.moments[:2] - frame.moments[:2])
            assert np.all(away < 0.005 * width), (name, away / width)
            wider = np.array([moment.width_x, moment.width_y]) / width - 1
            assert np.all(np.abs(wider) < 0.015), (name, wider)
            bias.append(wider.mean())
            stated = np.diag(moment.covariance)[:5] / np.diag(frame.covariance)[:5]
            ratios.append(np.sqrt(stated))
            flags.update(set(frame.flags) ^ set(moment.flags))
            count += 1
    assert abs(np.mean(bias)) < 0.003
    assert np.all((np.median(ratios, 0) > 1 / 3) & (np.median(ratios, 0) < 3))
    assert sum(flags.values()) <= max(1, count // 5), flags


@pytest.mark.parametrize(("seed", "part"), [(0, 4.0), (1, 2.0), (3, 4.0), (4, 3.0)])
def test_a_beam_at_the_sensor_s_edge_is_flagged_as_in_a_frame(seed: int, part: float) -> None:
    """Dark, cut and whole beams are each good for what a frame of them is good for."""
    frames, moments = (seen_by("steering", seed, part, f) for f in ("frames", "moments"))
    for name, frame in frames.items():
        moment = moments[name]
        assert (FlagKind.DARK in frame.flags) == (FlagKind.DARK in moment.flags)
        cut = [FlagKind.CLIPPED_BY_SENSOR in p.flags for p in (frame, moment)]
        assert cut[0] == cut[1]
        if frame.use is not Use.NOTHING:
            u = np.hypot(frame.u_centroid, moment.u_centroid)
            assert np.all(np.abs(moment.moments[:2] - frame.moments[:2]) < 3 * u + 0.02)


def test_repeated_exposures_scatter_as_they_state() -> None:
    """The scatter of many exposures of one beam is their stated uncertainty, without the bias."""
    simulation = steering.simulate(2, fidelity="moments", stray=False)
    profiles = [profile_of(simulation, "far") for _ in range(200)]
    scatter = np.std([p.moments for p in profiles], axis=0)
    stated = np.sqrt(np.diag(profiles[0].covariance))
    np.testing.assert_allclose(scatter / stated, 1.0, atol=0.2)


@pytest.mark.parametrize("family", FAMILIES)
def test_without_any_effect_they_are_the_truth(family: str) -> None:
    """On an ideal bench without noise the moments are those of the exact trace."""
    simulation = FAMILIES[family].simulate(1, ideal=True, misaligned=True, fidelity="moments")  # type: ignore[attr-defined]
    exact = simulation.truth.moments()
    for name in cameras(simulation):
        seen = profile_of(simulation, name).in_plane_axes()
        width = np.sqrt(exact[name][2:4])
        np.testing.assert_allclose(seen.moments[:2] / width, exact[name][:2] / width, atol=2e-3)
        np.testing.assert_allclose(seen.moments[2:4], exact[name][2:4], rtol=5e-3)


def test_a_whole_alignment_renders_no_pixel_and_takes_no_exact_trace(
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Guard, arrival, session and strategy are the real ones; no picture is made."""
    monkeypatch.setattr(Renderer, "image", None)
    bench = benches.collimator(3, fidelity="moments")
    with monkeypatch.context() as patched:
        patched.setattr(Truth, "_spots", None)
        result = align(bench)
    assert result.in_spec
    assert bench.truth.in_spec(bench.spec)
    assert result.moves > 0


def test_the_faults_of_a_camera_stay() -> None:
    """Silent, frozen, stale, torn and overexposed cameras misbehave as those with pixels do."""
    simulation = steering.simulate(0, fidelity="moments")
    camera = simulation.detectors["near"]
    assert isinstance(camera, MomentCamera)
    first = profile_of(simulation, "near")
    camera.faults.frozen = True
    again = profile_of(simulation, "near")
    assert again.use is Use.NOTHING
    np.testing.assert_array_equal(again.moments, first.moments)
    camera.faults.frozen, camera.faults.torn = False, True
    assert FlagKind.TORN in profile_of(simulation, "near").flags
    camera.faults.torn, camera.faults.overexpose = False, 5.0
    assert FlagKind.SATURATED in profile_of(simulation, "near").flags
    camera.faults.overexpose, camera.faults.stale = 1.0, 2.0
    now = simulation.clock.now()
    (late,) = camera.acquire(1, now, now + 60.0)
    assert late.started is not None
    assert late.started < now
    camera.faults.silent = True
    with pytest.raises(DetectorError, match="near"):
        profile_of(simulation, "near")


def test_a_move_is_seen_at_once() -> None:
    """What was traced before a move is not given after it, however short it was."""
    simulation = steering.simulate(0, fidelity="moments", noise=False)
    before = profile_of(simulation, "far")
    stage = simulation.stages["first"]
    axis = next(iter(stage.axes.values()))
    stage.start_move(axis.name, 2e-4)
    while stage.status(axis.name).moving:
        simulation.clock.sleep(1e-3)
    after = profile_of(simulation, "far")
    assert np.hypot(*(after.moments[:2] - before.moments[:2])) > 0.1


@pytest.mark.parametrize("what", ["power", "hidden", "scatter"])
def test_what_changes_in_the_world_is_seen_at_once(what: str) -> None:
    """A shutter, a part that is pushed and other light count from the next exposure on."""
    simulation = steering.simulate(0, fidelity="moments", noise=False)
    camera = simulation.detectors["far"]
    assert isinstance(camera, MomentCamera)
    before = profile_of(simulation, "far")
    if what == "power":
        simulation.truth.world.power = 0.0
        assert profile_of(simulation, "far").use is Use.NOTHING
    elif what == "hidden":
        simulation.truth.world.hidden["first.tip"] += 1e-3  # type: ignore[index]
        after = profile_of(simulation, "far")
        assert np.hypot(*(after.moments[:2] - before.moments[:2])) > 0.5
    else:
        camera.stray.scatter = 0.1
        assert profile_of(simulation, "far").width_x > 1.002 * before.width_x


def test_an_unknown_fidelity_is_refused() -> None:
    """The error names those that exist."""
    with pytest.raises(UnknownNameError, match="moments"):
        collimator.simulate(0, fidelity="guesses")  # type: ignore[arg-type]
