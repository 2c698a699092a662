"""The independent benches: their trace against what optics says, and one alignment of each."""

from __future__ import annotations

import dataclasses
import math
from types import ModuleType

import numpy as np
import pytest

from autoalign import VirtualClock, align, measure_bench
from autoalign.core.clock import Clock
from autoalign.core.interfaces import Detector, Stage
from autoalign.testing import DetectorConformance, StageConformance
from tests.independent import bench_one, bench_two
from tests.independent.campaign import Line, summary
from tests.independent.parts import LIGHTS, Camera, Counter, CountingStage
from tests.independent.rays import Fan, Paraboloid, Pose, fan, moments, terms, turn
from tests.independent.world import CameraPlan

BENCHES = pytest.mark.parametrize("bench", [bench_one, bench_two], ids=["one", "two"])


def chief(angle: float) -> np.ndarray:
    """Return the directions of a source that looks at the mirror's centre, as columns."""
    c, s = math.cos(angle), math.sin(angle)
    return np.array([[c, 0, s], [0, 1, 0], [s, 0, -c]])


def narrow(sine: float) -> Fan:
    """Return four rays at the edge of a narrow cone, in the two principal planes."""
    sines = sine * np.array([[1.0, 0.0], [-1.0, 0.0], [0.0, 1.0], [0.0, -1.0]])
    return Fan(np.zeros((4, 2)), sines, np.ones(4))


@pytest.mark.parametrize("degrees", [20.0, 60.0, 90.0, 120.0])
def test_paraboloid_collimates_its_focus(degrees: float) -> None:
    """Every ray from the focus leaves along the axis, from any part of the surface.

    The focal property of the parabola (Hecht, Optics, 4th ed., section 5.4.2, from memory).
    """
    mirror = Paraboloid(80.0, math.radians(degrees), 70.0)
    rays = fan(500, np.ones_like, 0.3)
    points, d, _ = mirror.trace(rays, Pose(mirror.focus, chief(mirror.angle)), 0.0)
    assert np.abs(d - [0, 0, 1]).max() < 1e-12
    x, y, z = (points - mirror.focus).T
    assert np.allclose(x**2 + y**2, 4 * mirror.parent * (z + mirror.parent))
    assert np.ptp(points[:, 0]) > 20


@pytest.mark.parametrize("degrees", [20.0, 60.0, 90.0])
@pytest.mark.parametrize("shift", [-0.5, 0.5])
def test_defocus_makes_the_divergence_of_newtons_equation(degrees: float, shift: float) -> None:
    """A source nearer by s is imaged f²/s behind: a ray at height h diverges by h s/f².

    Newton's form of the lens equation, x x' = f² (Hecht, Optics, 4th ed., section 5.2.3, from
    memory), with the reflected focal length; both principal planes alike for a small cone.
    """
    rho = 150.0
    mirror = Paraboloid(rho, math.radians(degrees), 40.0)
    aim = chief(mirror.angle)
    pose = Pose(mirror.focus + shift * aim[:, 2], aim)
    points, d, _ = mirror.trace(narrow(0.01), pose, 0.0)
    for k, first in ((0, 0), (1, 2)):
        height = points[first, k] - points[first + 1, k]
        slope = d[first, k] / d[first, 2] - d[first + 1, k] / d[first + 1, 2]
        # The focal length from where the source is: x' = f²/x is seen from the focus behind.
        assert slope == pytest.approx(height * shift / (rho * (rho - shift)), rel=0.01)
        assert slope == pytest.approx(height * shift / rho**2, rel=0.02)


def test_turned_mirror_turns_the_beam_by_twice_as_much() -> None:
    """The law of reflection, for a turn about the normal of the plane of incidence."""
    mirror = Paraboloid(150.0, math.radians(60), 40.0)
    turned = turn(np.array([0.0, 1.0, 0.0]), 1e-3)
    pose = Pose(mirror.focus, chief(mirror.angle), turned)
    _, d, _ = mirror.trace(narrow(0.0), pose, 0.0)
    assert math.atan2(d[0, 0], d[0, 2]) == pytest.approx(2e-3, rel=1e-6)


def test_extended_source_shows_the_growth_that_the_spec_allows_for() -> None:
    """A perfect mirror and a wide face: no divergence is left once the source's share is off."""
    mirror = Paraboloid(150.0, math.radians(20), 60.0)
    rays = fan(60_000, lambda s: np.exp(-2 * (s / 0.05) ** 2), 0.075)
    p, d, w = mirror.trace(rays, Pose(mirror.focus, chief(mirror.angle)), 0.6)
    at = {z: moments(p[:, :2] + d[:, :2] / d[:, 2:] * (z - p[:, 2:]), w) for z in (400.0, 2400.0)}
    plain = terms(at[400.0], at[2400.0], (400.0, 2400.0), 0.0, 150.0)
    eased = terms(at[400.0], at[2400.0], (400.0, 2400.0), 1.2 / 150, 150.0)
    assert plain.divergence > 1.5e-3
    assert abs(eased.divergence) < 0.05 * plain.divergence


def test_terms_of_a_stretched_beam() -> None:
    """An upright beam that grows in x alone, by hand."""
    near = (np.zeros(2), np.diag([4.0, 9.0]))
    far = (np.array([0.2, -0.1]), np.diag([4.84, 9.0]))
    found = terms(near, far, (0.0, 1000.0), 0.0, 0.0)
    assert (found.pointing_x, found.pointing_y) == pytest.approx((2e-4, -1e-4))
    assert found.divergence == pytest.approx(4 * 0.2 / 1000)
    assert found.ellipticity == pytest.approx(1 / 1.1 - 1)


def camera(kind: str = "plain", **wrong: float) -> Camera:
    """Return a camera that sees a small round beam at (3, −2) mm."""
    rng = np.random.default_rng(4)
    spot = np.array([3.0, -2.0]) + rng.normal(0, 1.2, (60_000, 2))
    plan: CameraPlan = bench_one.DESIGN.cameras["far"]
    errors = {"roll": 0.0, "zero": 0.0, "aspect": 0.0, "pitch": 0.0} | wrong
    made = Camera(
        "far", lambda: (spot, np.ones(len(spot))), VirtualClock(), rng, shape=plan.shape,
        pitch=plan.pitch, view=plan.view, origin=plan.origin, kind=LIGHTS[kind], wrong=errors,
    )  # fmt: skip
    made.expose_for(spot, np.ones(len(spot)))
    return made


def test_moments_of_a_frame_are_those_of_the_rays() -> None:
    """Read as the frame says, with the spread of pixels (1/12) and screen (1) taken off."""
    seen = camera()
    points, weight = seen._light()
    frame = seen.acquire(1, 0.0, 1.0)[0]
    light = seen.picture(points, weight)
    row, column = np.indices(light.shape)
    pixels = np.stack([column.ravel(), row.ravel()], axis=1)
    at = (pixels - frame.origin) * frame.pitch @ np.array(frame.view).T
    centre, second = moments(at, light.ravel())
    true_centre, true_second = moments(points, weight)
    assert centre == pytest.approx(true_centre, abs=2e-3)
    spread = (1 + 1 / 12) * frame.pitch_x**2
    assert second == pytest.approx(true_second + spread * np.eye(2), abs=0.01)


@BENCHES
def test_truth_does_not_depend_on_the_rays(bench: ModuleType) -> None:
    """Few rays and many, two different sequences: within a tenth of every tolerance."""
    world = bench.world(1)
    few, many = world.truth(20_000), world.truth(160_000)
    difference = dataclasses.replace(
        few, **{n: v - getattr(many, n) for n, v in dataclasses.asdict(few).items()}
    )
    assert world.ratio(difference) < 0.1
    assert world.ratio(many) > 5


@BENCHES
@pytest.mark.slow
def test_misaligned_bench_is_measured_as_it_is(bench: ModuleType) -> None:
    """Cameras and planes are read by their conventions: the verdict agrees with the truth."""
    world = bench.world(0)
    for counter in world.counters.values():
        counter.ripple = 0.0
    world.hidden = dataclasses.replace(
        world.hidden, source=np.array([0.02, -0.03, 0.05]), mirror=np.array([2e-4, 1e-4, 3e-4])
    )
    measured = measure_bench(world.bench)
    truth = world.truth()
    assert measured.verdict is not None
    for name in ("pointing_x", "pointing_y", "divergence", "ellipticity"):
        term = measured.verdict[name]
        assert (
            abs(term.deviation - getattr(truth, name)) < 4 * term.uncertainty + 0.1 * term.tolerance
        )
    assert world.ratio(truth) > 2


@BENCHES
@pytest.mark.slow
def test_alignment_is_in_spec_by_an_independent_truth(bench: ModuleType) -> None:
    """From far outside to what an independent trace calls in spec, and claimed as such."""
    world = bench.world(0)
    assert world.ratio(world.truth()) > 20
    result = align(world.bench)
    assert result.in_spec
    assert world.ratio(world.truth()) <= 1


def test_campaign_tells_false_claims_and_bad_ends() -> None:
    """Each kind of ending is counted as what it is."""
    good = Line("one", "plain", 0, 0.3, 50, 0.4, 0.4, True, True, 4, False, 1.0, "in-spec", "")
    false = dataclasses.replace(good, end=1.4, best=1.2, truly=False)
    lost = dataclasses.replace(false, end=50, best=2, claimed=False, went_back=True)
    assert [line.worse for line in (good, false, lost)] == [False, False, True]
    told = summary([good, false, lost])
    assert "truly in spec 1/3" in told
    assert "false claims 1" in told
    assert "over 10 tolerances 1" in told
    assert "much worse start 1" in told


class TestCountingStage(StageConformance):
    """The stage of both benches."""

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return that of the fibre and the mount."""
        clock = VirtualClock()
        counters = [
            Counter(axis, size, zero, lost=axis.backlash) for axis, size, zero in bench_one.AXES
        ]
        return CountingStage("fibre", counters, clock), clock


class TestCamera(DetectorConformance):
    """The camera of both benches."""

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return one that sees a spot."""
        made = camera()
        return made, made._clock
