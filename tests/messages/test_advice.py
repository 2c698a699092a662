"""What a person is told to move: amounts, sides, limits, either-or, and what cannot be told."""

from __future__ import annotations

import pytest

from autoalign import Axis
from autoalign.diagnosis.misalignment import AxisReading, Misalignment, Share
from autoalign.messages.turn_advice import advice_words

AXES = {
    "source.y": Axis("source.y", "mm", -1.0, 1.0),
    "source.z": Axis("source.z", "mm", -1.0, 1.0),
    "mirror.clocking": Axis("mirror.clocking", "rad", -0.02, 0.02),
}
HERE = {"source.y": 0.0, "source.z": 0.25, "mirror.clocking": 0.0}


def reading(axis, amount, u, prior=1.0, effect=5.0):
    """Return what is known of one axis."""
    return AxisReading(axis, amount, u, prior, effect)


def told(*axes, shares=(), alike=(), chance=0.8, excess=0.0):
    """Return the sentences."""
    return advice_words(Misalignment(axes, shares, alike, chance, excess), AXES, HERE)


def test_a_sure_axis_is_told_with_its_way_its_goal_and_its_doubt():
    """The move is against the misalignment, ± is 95 % (1.96 u), the goal is where it ends."""
    words = told(reading("source.z", -0.5, 0.05))
    assert words[0] == (
        "source.z: move by +0.500 ± 0.098 mm, to 0.750 mm (over 99 % sure of the direction)."
    )
    assert "in spec with a probability of 80 %" in words[1]


def test_a_screw_is_told_in_turns():
    """Where a hand turns the axis, the amount is also said as turns and degrees."""
    screws = {**AXES, "source.z": Axis("source.z", "mm", -1.0, 1.0, per_turn=-0.4)}
    found = Misalignment((reading("source.z", -0.5, 0.05),), (), (), 0.8, 0.0)
    words = advice_words(found, screws, HERE)
    assert "by +0.500 ± 0.098 mm (1 turn and 90° anticlockwise), to 0.750 mm" in words[0]


def test_a_goal_beyond_the_limits_is_said():
    """The axis cannot do it alone."""
    words = told(reading("source.z", 2.5, 0.05))
    assert "to −2.250 mm" in words[0]
    assert "beyond its limits, −1.00 to 1.00 mm: with all motors at rest" in words[0]


def test_axes_that_look_alike_are_an_either_or():
    """Both ways with their amounts, each in its unit; not repeated among what cannot be told."""
    one = reading("source.y", 0.4, 0.05)
    other = reading("mirror.clocking", 4.7e-3, 0.5e-3)
    axes = (reading("source.y", 0.2, 1.0), reading("mirror.clocking", 2e-3, 2e-2, 0.02))
    share = Share(("source.y", "mirror.clocking"), ((one,), (other,)))
    words = told(*axes, shares=(share,), alike=(("source.y", "mirror.clocking"),))
    assert words[0] == (
        "Either move source.y by −0.400 ± 0.098 mm, or mirror.clocking by −4.70 ± 0.98 mrad: one "
        "of them is enough; these frames cannot show which is misaligned."
    )
    assert not any("Cannot be distinguished" in w for w in words)


def test_one_choice_names_what_has_to_be_right():
    """Only one axis of a group explains what is seen."""
    share = Share(("source.y", "mirror.clocking"), ((reading("source.y", 0.4, 0.05),),))
    words = told(reading("source.y", 0.2, 1.0), shares=(share,))
    assert words[0] == "Move source.y by −0.400 ± 0.098 mm, if mirror.clocking is aligned."


def test_what_is_right_and_what_cannot_be_told():
    """Small ones are right within their interval; untold ones are named with what they are like."""
    axes = (
        reading("source.z", 0.01, 0.05, effect=0.1),
        reading("source.y", 0.0, 1.0),
        reading("mirror.clocking", 0.0, 0.02, 0.02),
    )
    words = told(*axes, alike=(("source.y", "mirror.clocking"),))
    assert "no axis is misaligned by more than half a tolerance of the spec; nothing" in words[0]
    assert "nothing is known of source.y and mirror.clocking." in words[0]
    assert "Aligned, as far as these frames show: source.z (within 0.098 mm)." in words
    assert words[-1].startswith("Cannot be distinguished: source.y and mirror.clocking.")


def test_frames_that_tell_of_no_axis_do_not_call_the_bench_aligned():
    """Where nothing is known of any axis, that is what is said, and not that none is off."""
    alone = told(reading("source.y", 0.0, 1.0), alike=(("source.y",),))
    assert alone[0].startswith("No axis can be named: these frames do not determine")
    assert "Cannot be determined: source.y" in alone[-1]
    assert not any("misaligned" in sentence for sentence in alone)


def test_a_misalignment_is_said_in_waves_as_well():
    """Beside the millimetres stands what the misalignment does to the wavefront."""
    found = Misalignment((reading("source.z", -0.5, 0.05),), (), (), 0.8, 0.0)
    words = advice_words(found, AXES, HERE, lambda axis, amount: f"defocus of {axis} {amount}")
    assert "sure of the direction; causes defocus of source.z -0.5)." in words[0]


@pytest.mark.parametrize(("chance", "words"), [(0.02, "measure again and correct"), (0.5, "50 %")])
def test_what_to_expect(chance, words):
    """After large moves a correction is needed."""
    assert words in told(reading("source.z", 0.5, 0.05), chance=chance)[1]


def test_a_layout_that_does_not_fit_is_said_first():
    """Numbers read with a wrong layout mislead."""
    words = told(reading("source.z", 0.5, 0.05), excess=30.0)
    assert words[0].startswith("Caution: the measurement does not agree with the bench file.")
