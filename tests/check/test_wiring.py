"""One thing wrong with a simulated bench at a time: each is found, and named."""

from __future__ import annotations

import math

import pytest

from autoalign.check import check_bench as check
from autoalign.diagnosis.hypotheses import AxisVerdict

pytestmark = pytest.mark.slow

FINE = {AxisVerdict.WELL, AxisVerdict.UNSURE}

FOUR = ["source.x", "source.y", "mirror.tip", "mirror.tilt"]
"""Enough axes for a camera to be told from them."""


def odd(result) -> dict[str, AxisVerdict]:
    """The axes that are not as they should be."""
    return {a.axis.name: a.verdict for a in result.axes if a.verdict not in FINE}


def part_of(axis: str) -> list[str]:
    """The axes of one part, which are tried in place of all to save time."""
    return {
        "source": ["source.x", "source.y", "source.z"],
        "mirror": ["mirror.tip", "mirror.tilt", "mirror.clocking"],
    }[axis.partition(".")[0]]


def told(result) -> str:
    """All findings in one text."""
    return "\n".join(map(str, result.findings))


def test_sound_bench_is_found_sound_and_left_as_it_was(bench, wrong):
    """No finding; every axis reads what it read; no carriage left its limits; steps are tiny."""
    sound = wrong.watched(bench(3))
    before = sound.positions()
    result = check(sound)
    assert result.findings == ()
    assert result.well
    assert result.modelled
    assert sound.positions() == before == result.start == result.end
    assert max(result.shift.values()) < 0.02
    for report in result.axes:
        axis, stage = report.axis, sound.stage_of(report.axis.name)
        assert report.reach <= axis.travel / 50
        true = stage.true[axis.name]
        scale = sound.truth.world.motors[axis.name].traits.scale
        furthest = max(abs(t - true[0]) for t in true)
        assert 0.5 * report.step < furthest <= 1.2 * scale * report.reach + axis.backlash
        assert all(axis.lower <= t <= axis.upper for t in stage.targets[axis.name])


def test_play_is_measured_in_the_units_of_the_axis(bench):
    """The lost motion found is the one that the simulated motors hide, within its uncertainty."""
    sound = bench(4)
    result = check(sound)
    motors = sound.truth.world.motors
    gaps = [
        (r.backlash - motors[r.axis.name].traits.backlash) / r.u_backlash
        for r in result.axes
        if r.backlash is not None and r.u_backlash is not None
    ]
    assert len(gaps) >= 5
    assert max(map(abs, gaps)) < 4.5
    assert math.sqrt(sum(g * g for g in gaps) / len(gaps)) < 2.5


@pytest.mark.parametrize("axis", ["source.x", "source.z", "mirror.tilt"])
def test_a_reversed_axis_is_named(bench, wrong, axis):
    """Only the axis that runs backwards is accused, and the cameras are not."""
    result = check(wrong.axis(bench(1), axis, scale=-1.0), axes=part_of(axis))
    assert odd(result) == {axis: AxisVerdict.REVERSED}
    assert f"{axis}: runs backwards" in told(result)
    assert len(result.findings) == 1


@pytest.mark.parametrize("axis", ["source.y", "mirror.clocking"])
def test_a_dead_axis_is_named(bench, wrong, axis):
    """An axis that nothing follows is called dead."""
    result = check(wrong.axis(bench(2), axis, scale=0.0), axes=part_of(axis))
    assert odd(result) == {axis: AxisVerdict.DEAD}
    assert f"{axis}: does not move in steps of" in told(result)


@pytest.mark.parametrize(("axis", "scale"), [("source.x", 2.0), ("mirror.tip", 0.5)])
def test_a_wrong_scale_is_measured(bench, wrong, axis, scale):
    """Twice or half the motion is found, and said to be so."""
    result = check(wrong.axis(bench(1), axis, scale=scale), axes=part_of(axis))
    assert odd(result) == {axis: AxisVerdict.SCALE}
    (report,) = (a for a in result.axes if a.axis.name == axis)
    assert report.judgement.ratio == pytest.approx(scale, abs=3.5 * report.judgement.u_ratio)


def test_a_scale_that_nobody_can_judge_is_said_to_be_so(bench, wrong):
    """A shifted pivot turns the mirror about its beam as a larger angle would: told, with why.

    The lever of clocking is ρ sin α = 86 mm; 15 mm of pivot and 2° of direction leave about 20 % of
    a scale open, so that a doubling mostly shows, and a scale that is off by a quarter never does.
    """
    doubled = check(wrong.axis(bench(1), "mirror.clocking", scale=2.0), axes=["mirror.clocking"])
    assert odd(doubled) == {"mirror.clocking": AxisVerdict.SCALE}
    mild = check(wrong.axis(bench(1), "mirror.clocking", scale=1.25), axes=part_of("mirror.tip"))
    (report,) = (a for a in mild.axes if a.axis.name == "mirror.clocking")
    assert mild.findings == ()
    assert report.judgement.u_ratio == pytest.approx(0.2, abs=0.1)
    assert "judge its scale no better than to ±" in str(report.said)
    assert "its pivot is known to ±15 mm only" in str(report.said)
    assert all("limit" not in a.said.numbers for a in mild.axes if a is not report)


@pytest.mark.parametrize(("a", "b"), [("source.x", "source.y"), ("mirror.tip", "mirror.clocking")])
def test_exchanged_axes_name_each_other(bench, wrong, a, b):
    """Each of two exchanged axes is said to move as the other should."""
    result = check(wrong.exchanged_axes(bench(1), a, b), axes=part_of(a))
    assert odd(result) == {a: AxisVerdict.EXCHANGED, b: AxisVerdict.EXCHANGED}
    assert f"{a}: moves the beam as {b} should" in told(result)
    assert f"{b}: moves the beam as {a} should" in told(result)


@pytest.mark.parametrize(
    ("axis", "times", "words"),
    [
        ("mirror.tilt", 2.5, "mirror.tilt: backlash of 3"),
        ("source.x", 2.0, "source.x: backlash of 16"),
        (
            "source.x",
            5.0,
            "source.x: a step back of 24 µm shows nothing, so its backlash is at least",
        ),
    ],
)
def test_play_that_is_larger_than_stated_is_found(bench, wrong, axis, times, words):
    """Up to three times the stated play is measured; more is called at least a step."""
    stated = bench(1).axes[axis].backlash
    result = check(wrong.axis(bench(1), axis, backlash=times * stated), axes=[axis])
    assert words in told(result)
    assert len(result.findings) == 1


def test_exchanged_cameras_are_named(bench, wrong):
    """Cables of near and far exchanged: said so, and no axis is accused."""
    result = check(wrong.exchanged_cameras(bench(2)), axes=FOUR)
    (found,) = result.findings
    assert (found.code, found.subjects) == ("cameras-exchanged", ("near", "far"))


@pytest.mark.parametrize(
    ("plane", "turn", "code"),
    [
        ("far", ((-1.0, 0.0), (0.0, 1.0)), "camera-mirrored-left-right"),
        ("near", ((1.0, 0.0), (0.0, -1.0)), "camera-mirrored-top-bottom"),
    ],
)
def test_a_mirrored_camera_is_named(bench, wrong, plane, turn, code):
    """A camera whose view is stated wrongly is named with what is wrong, and no axis is."""
    result = check(wrong.camera(bench(2), plane, turn), axes=FOUR)
    assert [(f.code, f.subject) for f in result.findings] == [(code, plane)]


BOTH = {
    "both turned by 180°": (((-1.0, 0.0), (0.0, -1.0)), ((-1.0, 0.0), (0.0, -1.0))),
    "both mirrored": (((-1.0, 0.0), (0.0, 1.0)), ((-1.0, 0.0), (0.0, 1.0))),
    "one of each": (((-1.0, 0.0), (0.0, 1.0)), ((-1.0, 0.0), (0.0, -1.0))),
}


def _cameras_and_nothing_else(bench, wrong, seed, turns, axes=None):
    """Check a bench whose two cameras both hang wrongly; return what is named."""
    near, far = turns
    result = check(wrong.camera(wrong.camera(bench(seed), "near", near), "far", far), axes=axes)
    assert odd(result) == {}
    assert all(f.code.startswith("camera-") for f in result.findings)
    return {name for f in result.findings for name in f.subjects}


@pytest.mark.parametrize(
    ("turns", "axes"),
    [("both turned by 180°", None), ("both mirrored", FOUR), ("one of each", FOUR)],
)
def test_two_wrong_cameras_are_named_and_no_axis(bench, wrong, turns, axes):
    """One cause that explains every axis at once wins over as many axes that run backwards."""
    assert _cameras_and_nothing_else(bench, wrong, 2, BOTH[turns], axes) == {"near", "far"}


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(20))
@pytest.mark.parametrize("turns", BOTH.values(), ids=BOTH)
def test_two_wrong_cameras_are_named_on_many_benches(bench, wrong, seed, turns):
    """The same on twenty benches each."""
    assert _cameras_and_nothing_else(bench, wrong, seed, turns) == {"near", "far"}


def test_a_runaway_is_stopped_after_its_first_tiny_step(bench, wrong):
    """An axis that makes a hundred times the motion is not moved a whole step."""
    fast = wrong.watched(wrong.axis(bench(1), "source.x", scale=100.0))
    result = check(fast, axes=["source.x"])
    assert "its first tiny step moved the beam further than three whole ones" in told(result)
    assert result.home
    step = next(a.step for a in result.axes if a.axis.name == "source.x")
    # The first two places are those of the trial of STOP, which cuts its move short.
    _, back, *targets = fast.stage_of("source.x").targets["source.x"]
    assert back == 0.0
    assert max(map(abs, targets)) < 0.6 * step


@pytest.mark.parametrize("limit", [6.0, -6.0])
def test_an_axis_at_its_limit_is_tried_inside(bench, wrong, limit):
    """At the very limit every step goes inwards, and the axis comes back to the limit.

    At the lower one there is no room to take up the play on the way back.
    """
    edge = wrong.watched(bench(5, hidden={"source.y": -limit}))
    assert edge.axes["source.y"].approach == 1
    assert edge.axes["source.y"].backlash > 0
    edge.stage_of("source.y").start_move("source.y", limit)
    edge.clock.sleep(20.0)
    result = check(edge, axes=["source.y"])
    assert result.home
    assert result.well, told(result)
    targets = edge.stage_of("source.y").targets["source.y"]
    assert max(map(abs, targets)) <= 6.0
    assert abs(targets[1]) < 6.0
    assert edge.positions()["source.y"] == limit


@pytest.mark.campaign
@pytest.mark.parametrize("seed", range(24))
def test_no_false_alarm_on_sound_benches(bench, seed):
    """Everyday errors of scale, direction, pivot, cross-talk and screens are no fault."""
    assert check(bench(seed)).findings == ()
