"""Axes turned by a person: asked in people's units, answered, and never assumed."""

from __future__ import annotations

import math
from typing import Any

import pytest
from autoalign_drivers.hand import HandDriver, HandSettings, HandStage
from pydantic import ValidationError

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.cautions import AT_THE_SCREW
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import MotionFaultError, TravelLimitError, UnknownNameError, UsageError
from autoalign.core.interfaces import Stage, StageDriver

AXES = (Axis("source.x", "mm", -2.0, 2.0), Axis("mirror.tip", "rad", -0.02, 0.02))


class Person:
    """Answers from a list and remembers the questions."""

    def __init__(self, *answers: str) -> None:
        self.answers = list(answers)
        self.questions: list[str] = []
        self.told: list[str] = []

    def __call__(self, question: str) -> str:
        """Answer the next question; nobody is there once the answers are used up."""
        self.questions.append(question)
        if "\n" in question:
            told, _, self.questions[-1] = question.rpartition("\n")
            self.told.append(" ".join(told.split()))
        if not self.answers:
            raise EOFError
        return self.answers.pop(0)


def stage(person: Person, **keys: Any) -> HandStage:
    """Build the stage with a person."""
    settings = HandSettings.model_validate({"axes": keys} if keys else {})
    return HandDriver(person).build("knobs", AXES, settings, VirtualClock())


def test_asks_where_it_is_then_to_turn() -> None:
    """Questions are in labelled people's units; an empty answer means as asked.

    What to mind before touching the bench comes with the first question alone.
    """
    person = Person("0.5", "")
    knobs = stage(person)
    assert isinstance(knobs, Stage)
    assert isinstance(HandDriver(), StageDriver)
    knobs.start_move("mirror.tip", 0.001)
    assert person.questions == [
        "mirror.tip: what does its scale read, in mrad (0 where it has none: it then counts from "
        "here)? ",
        "mirror.tip: turn it by +0.5 mrad, from 0.5 to 1 mrad (± 0.4 is near enough), with the "
        "beam blocked or at alignment power. What does it read now (Enter: as asked)? ",
    ]
    assert person.told == [AT_THE_SCREW]
    status = knobs.status("mirror.tip")
    assert status.position == pytest.approx(0.001)
    assert not status.moving


def test_what_the_person_reads_counts() -> None:
    """The position is what was said, not what was asked; a unit may be given."""
    knobs = stage(Person("0", "1.02", "980 um"))
    knobs.start_move("source.x", 1.0)
    assert knobs.status("source.x").position == pytest.approx(1.02)
    knobs.start_move("source.x", 1.0)
    assert knobs.status("source.x").position == pytest.approx(0.98)


def test_turns_of_the_screw() -> None:
    """With the travel of a turn known, the question says how far and which way."""
    person = Person("0", "", "")
    knobs = stage(
        person, **{"source.x": {"per_turn": "0.5 mm", "clockwise": "-", "hint": "left knob"}}
    )
    knobs.start_move("source.x", 0.75)
    assert person.questions[-1].startswith(
        "source.x (left knob): turn it 1 turn and 180° anticlockwise, from 0 to 0.75 mm"
    )
    knobs.start_move("source.x", 0.25)
    assert "turn it 1 turn clockwise" in person.questions[-1]


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (0.125, "90° clockwise"),
        (-0.125, "90° anticlockwise"),
        (0.001, "5° clockwise"),
        (1.0 - 1e-6, "2 turns clockwise"),
        (5.61, "11 turns clockwise"),
        (0.5 * (10 + 355 / 360), "11 turns clockwise"),
        (-0.5 * (12 + 181 / 360), "13 turns anticlockwise"),
        (0.5 * (9 + 355 / 360), "9 turns and 355° clockwise"),
        (0.5 * (9 + 358 / 360), "10 turns clockwise"),
    ],
)
def test_turns_are_told_as_far_as_a_hand_can_turn(change: float, words: str) -> None:
    """Whole turns and steps of 5°; never "0°", never "360°"; from ten on the nearest whole turn."""
    assert Axis("source.x", "mm", -6.0, 6.0, per_turn=0.5).turning(change) == words
    assert Axis("source.x", "mm", -6.0, 6.0).turning(change) == ""


def test_a_target_is_rounded_to_what_can_be_set() -> None:
    """To the resolution, or to 5° of the screw; "as asked" is the rounded one."""
    scale = Axis("source.x", "mm", -2.0, 2.0, resolution=0.01)
    person = Person("0", "")
    knobs = HandDriver(person).build("knobs", (scale,), HandSettings(), VirtualClock())
    knobs.start_move("source.x", 0.123456)
    assert "from 0 to 0.12 mm (± 0.02" in person.questions[-1]
    assert knobs.status("source.x").position == pytest.approx(0.12)
    person = Person("0", "")
    screw = stage(person, **{"source.x": {"per_turn": "0.72 mm"}})
    screw.start_move("source.x", 0.1234)
    assert screw.status("source.x").position == pytest.approx(0.12)


def test_what_is_missing_is_asked_for_and_then_given_up() -> None:
    """Too far off: the rest is asked for until three answers came no nearer; then what helps."""
    person = Person("0", "0.5", "0.9", "0.99")
    knobs = stage(person)
    knobs.start_move("source.x", 1.0)
    assert "turn it by +0.5 mm, from 0.5 to 1 mm" in person.questions[2]
    assert knobs.status("source.x").position == pytest.approx(0.99)
    person = Person("1", "0.5", "0.5", "0.6", "0.49", "0")
    with pytest.raises(MotionFaultError, match=r"asked 4 times for 0 mm, it reads 0.49 mm"):
        stage(person).start_move("source.x", 0.0)
    assert person.answers == ["0"]


def test_who_comes_nearer_is_asked_as_often_as_it_takes() -> None:
    """Seven answers, each nearer by more than half the tolerance, are not too many."""
    person = Person("1", "0.8", "0.6", "0.45", "0.3", "0.2", "0.1", "0.03")
    knobs = stage(person)
    knobs.start_move("source.x", 0.0)
    assert knobs.status("source.x").position == pytest.approx(0.03)
    assert len(person.questions) == 8


@pytest.mark.parametrize("answer", ["", "0.122", "0.118"])
def test_nobody_is_asked_for_more_than_a_hand_can_set(answer: str) -> None:
    """A tolerance far below half of 5° of the screw: what is next to the goal is near enough.

    5° of 0.72 mm are 0.01 mm: the goal of 0.1234 mm is 0.12 mm, the hand sets ± 0.005 mm.
    """
    tight = Axis("source.x", "mm", -2.0, 2.0, tolerance=1e-4)
    settings = HandSettings.model_validate({"axes": {"source.x": {"per_turn": "0.72 mm"}}})
    person = Person("0", answer)
    knobs = HandDriver(person).build("knobs", (tight,), settings, VirtualClock())
    knobs.start_move("source.x", 0.1234)
    assert len(person.questions) == 2
    axis = knobs.axes["source.x"]
    assert abs(knobs.status("source.x").position - 0.1234) <= axis.arrival_tolerance


@pytest.mark.parametrize(
    ("tolerance", "start", "asked"),
    [(None, "0.1204", 0), (None, "0.1151", 0), (None, "0.11", 1), (0.02, "0.11", 0),
     (0.02, "0.09", 1), (1e-4, "0.1204", 0), (1e-4, "0.11", 1)],
)  # fmt: skip
def test_no_question_where_the_axis_stands_already(
    tolerance: float | None, start: str, asked: int
) -> None:
    """Within half of 5° of the screw, or within the tolerance that the bench file gives."""
    known = Axis("source.x", "mm", -2.0, 2.0, tolerance=tolerance)
    settings = HandSettings.model_validate({"axes": {"source.x": {"per_turn": "0.72 mm"}}})
    person = Person(start, "")
    knobs = HandDriver(person).build("knobs", (known,), settings, VirtualClock())
    knobs.start_move("source.x", 0.12)
    assert len(person.questions) == 1 + asked


def test_answers_that_cannot_be_understood_are_asked_again() -> None:
    """Nonsense, nan, another kind of unit and a place outside the travel: three attempts."""
    person = Person("0", "about one", "1 mrad", "0.97")
    knobs = stage(person)
    knobs.start_move("source.x", 1.0)
    assert knobs.status("source.x").position == pytest.approx(0.97)
    assert "'about one' is not a number" in person.questions[2]
    assert "is an angle; wanted is a length" in person.questions[3]
    with pytest.raises(MotionFaultError, match=r"no answer could be understood in 3 attempts"):
        stage(Person("nan", "1_0", "7")).status("source.x")


def test_a_person_may_refuse_or_be_away() -> None:
    """Stop, and nobody there, are faults that say who, where and what to do."""
    with pytest.raises(MotionFaultError, match=r"stage knobs, axis source.x: the person said stop"):
        stage(Person("0", "stop")).start_move("source.x", 1.0)
    with pytest.raises(MotionFaultError, match=r"nobody is there to answer. Run this where"):
        stage(Person()).status("source.x")


@pytest.mark.parametrize("answers", [("stop",), (), ("2.5", "2.5", "2.5")])
def test_after_an_unusable_answer_the_position_is_unknown(answers: tuple[str, ...]) -> None:
    """Stop, nobody there, a reading beyond the limit: no old position is told, nobody is asked.

    The next move begins with reading the scale.
    """
    person = Person("0", "0", *answers)
    knobs = stage(person)
    knobs.status("mirror.tip")
    with pytest.raises(MotionFaultError):
        knobs.start_move("source.x", 1.9)
    asked = len(person.questions)
    status = knobs.status("source.x")
    assert math.isnan(status.position)
    assert "what its scale reads" in status.fault
    assert not status.homed
    with pytest.raises(MotionFaultError, match=r"source\.x: .* no position.*open the bench again"):
        Bench("b", {"knobs": knobs}, {}, clock=VirtualClock()).positions()
    assert len(person.questions) == asked
    person.answers = ["1.0", "1.9"]
    knobs.start_move("source.x", 1.9)
    assert "what does its scale read" in person.questions[asked]
    assert knobs.status("source.x").position == 1.9
    assert not knobs.status("source.x").fault


def test_limits_and_names_are_checked_before_anybody_is_asked() -> None:
    """No question for a target outside, or an axis that is not there."""
    person = Person()
    knobs = stage(person)
    with pytest.raises(TravelLimitError):
        knobs.start_move("source.x", 2.5)
    with pytest.raises(UnknownNameError, match=r"stage knobs"):
        knobs.start_move("source.y", 0.0)
    knobs.stop()
    knobs.close()
    assert person.questions == []
    assert knobs.identity() == "by hand: source.x, mirror.tip"


@pytest.mark.parametrize(
    ("axes", "kind", "message"),
    [
        ({"source.q": {}}, UnknownNameError, "Did you mean 'source.x'"),
        ({"source.x": {"per_turn": "500 mm"}}, UsageError, "check its unit"),
        ({"source.x": {"per_turn": 0.5}}, ValidationError, "0.5 has no unit"),
        ({"source.x": {"per_turn": True}}, ValidationError, "True has no unit"),
        ({"source.x": {"per_turn": "half"}}, ValidationError, "not a number with a unit"),
        ({"source.x": {"per_turn": "5 s"}}, ValidationError, "a length or an angle"),
        (
            {"source.x": {"per_turn": "-0.5 mm"}},
            ValidationError,
            'without its sign, and clockwise = "-" where a clockwise turn',
        ),
        ({"source.x": {"per_turn": "0 mm"}}, ValidationError, "larger than 0"),
        ({"source.x": {"per_turn": "5 mrad"}}, UsageError, "per_turn is an angle.*a length"),
        ({"mirror.tip": {"per_turn": "1 um"}}, UsageError, "per_turn is a length.*an angle"),
        ({"source.x": {"clockwise": "left"}}, ValidationError, r"'\+' or '-'"),
    ],
)
def test_settings_mistakes(axes: dict[str, Any], kind: type[Exception], message: str) -> None:
    """Each mistake in the bench file is refused with what is allowed."""
    with pytest.raises(kind, match=message):
        stage(Person(), **axes)


def test_a_screw_without_a_scale_may_be_called_zero() -> None:
    """The first question says so, with where the screw is; not where 0 is out of bounds."""
    axes = [Axis("mirror.tip", "rad", -0.02, 0.02), Axis("source.z", "mm", 5.0, 9.0)]
    settings = HandSettings.model_validate({"axes": {"mirror.tip": {"hint": "upper screw"}}})
    person = Person("0", "6")
    by_hand = HandStage("hands", axes, settings, person)
    assert by_hand.status("mirror.tip").position == 0
    assert by_hand.status("source.z").position == 6
    assert person.questions == [
        "mirror.tip (upper screw): what does its scale read, in mrad (0 where it has none: it then "
        "counts from here)? ",
        "source.z: what does its scale read, in mm? ",
    ]
