"""No motor moves while a person is asked to touch the bench."""

from __future__ import annotations

import asyncio
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace

import numpy as np
import pytest
from autoalign_drivers.hand import HandDriver, HandSettings
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.bench import Bench
from autoalign.check import check_bench as check
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.errors import AlignError, HeldError, MotionFaultError
from autoalign.core.hands import HANDS_CLEAR, Hands
from autoalign.core.interfaces import AxisStatus, Reading, Stage
from autoalign.run import aio
from autoalign.run.compose import run
from autoalign.session import Session
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Strategy

SPEED = 0.5
"""Of the motors, mm/s."""


@dataclass
class Person:
    """Answers every question after a while, and remembers when."""

    clock: VirtualClock
    delays: Sequence[float]
    answers: Mapping[int, str] = field(default_factory=dict)
    asked: list[tuple[float, float, str]] = field(default_factory=list)

    def __call__(self, question: str) -> str:
        """Answer as asked, 0 for the reading of a scale, unless told otherwise."""
        self.take(question, self.next_delay)
        scale = "0" if "what does its scale read" in question else ""
        return self.answers.get(len(self.asked) - 1, scale)

    @property
    def next_delay(self) -> float:
        """How long the next answer takes, s."""
        return self.delays[len(self.asked) % len(self.delays)]

    def take(self, question: str, seconds: float) -> None:
        """Let the question be open for so long."""
        began = self.clock.now()
        self.clock.sleep(seconds)
        self.asked.append((began, self.clock.now(), question.splitlines()[-1]))


@dataclass
class Mixed:
    """Motors, and axes for which a person is asked while their status says moving."""

    axes: dict[str, Axis]
    clock: VirtualClock
    person: Person
    name: str = "mixed"
    moves: list[tuple[str, float, float]] = field(default_factory=list)
    _legs: dict[str, tuple[float, float, float, float]] = field(default_factory=dict)

    def identity(self) -> str:
        """Return what it is."""
        return "motors and screws"

    def start_move(self, axis: str, target: float) -> None:
        """Set a motor going, or put a question that stays open."""
        here, now = self._at(axis), self.clock.now()
        if self.axes[axis].by_hand:
            end = now + self.person.next_delay
            self.person.asked.append((now, end, f"{axis}: turn"))
        else:
            end = now + abs(target - here) / SPEED
            self.moves.append((axis, now, end))
        self._legs[axis] = (here, target, now, end)

    def _at(self, axis: str) -> float:
        here, target, began, end = self._legs.get(axis, (0.0, 0.0, 0.0, 0.0))
        now = self.clock.now()
        return target if now >= end else here + (target - here) * (now - began) / (end - began)

    def status(self, axis: str) -> AxisStatus:
        """Return where the axis is."""
        end = self._legs.get(axis, (0.0, 0.0, 0.0, 0.0))[3]
        return AxisStatus(self._at(axis), self.clock.now() < end)

    def stop(self) -> None:
        """Stop every motor where it is; a question stays open."""
        now = self.clock.now()
        for k, (axis, began, end) in enumerate(self.moves):
            self.moves[k] = (axis, began, min(end, now) if end > began else end)
        for axis in [n for n, a in self.axes.items() if not a.by_hand and n in self._legs]:
            here = self._at(axis)
            self._legs[axis] = (here, here, now, now)

    def close(self) -> None:
        """Stop."""
        self.stop()


@dataclass
class Meter:
    """Reads a number that depends on every axis."""

    bench: Callable[[], Mapping[str, float]]
    clock: VirtualClock
    name: str = "meter"
    plane: str = ""

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return readings."""
        began = max(self.clock.now(), not_before)
        self.clock.sleep(began - self.clock.now() + 0.1)
        value = 1e3 + sum((p - 0.3) ** 2 for p in self.bench().values())
        return [Reading({"q": value}, started=began, ended=self.clock.now())] * count

    def close(self) -> None:
        """Let go."""


@dataclass
class Wander(Strategy):
    """Goes where chance takes it."""

    places: Sequence[Sequence[float]]
    name: str = "wander"
    needs: frozenset = frozenset()

    def propose(self, problem):
        """Yield one place after another."""
        for place in self.places:
            low, high = problem.lower, problem.upper
            yield low + (high - low) * np.resize(place, len(low))


@dataclass
class Stop:
    """Set from a time on."""

    clock: VirtualClock
    at: float

    def is_set(self) -> bool:
        """Whether to stop."""
        return self.clock.now() >= self.at


def made(motors: int, screws: int, open_screws: int, person: Person, **keys) -> Bench:
    """Return a bench with so many motors, screws with a driver, screws of the mixed stage."""
    clock = person.clock
    labels = [f"m{k}.x" for k in range(motors)] + [f"o{k}.x" for k in range(open_screws)]
    axes = {
        n: Axis(
            n, "mm", -2, 2, backlash=keys.get("backlash", 0.0),
            speed=None if n[0] == "o" else SPEED,
            max_step=keys.get("max_step"), tolerance=1e-6, by_hand=n[0] == "o",
        )
        for n in keys.get("order", sorted)(labels)
    }  # fmt: skip
    turned = [
        Axis(f"h{k}.x", "mm", -2, 2, resolution=0.01, backlash=keys.get("backlash", 0.0))
        for k in range(screws)
    ]
    stages: dict[str, Stage] = {}
    if axes:
        stages["mixed"] = Mixed(axes, clock, person)
    if turned:
        stages["hand"] = HandDriver(person).build("hand", turned, HandSettings(), clock)
    if keys.get("screws_last"):
        stages = dict(reversed(stages.items()))
    where: dict[str, float] = {}
    bench = Bench(
        "mixed", stages, {"meter": Meter(lambda: where, clock)},
        Spec((QuantityTerm("meter.q", 1.0),)), clock=clock, hands=Hands(person),
    )  # fmt: skip
    where.update(dict.fromkeys(bench.axes, 0.0))
    return bench


def moves_of(bench: Bench) -> list[tuple[str, float, float]]:
    """Return which motor moved from when to when."""
    stage = bench.stages.get("mixed")
    return [m for m in stage.moves if m[2] > m[1]] if isinstance(stage, Mixed) else []


def check_rule(bench: Bench, person: Person) -> None:
    """No motor in motion between a question and its answer; none before hands are clear."""
    for axis, began, ended in moves_of(bench):
        for asked, answered, question in person.asked:
            apart = ended <= asked or began >= answered
            assert apart, f"{axis} moved {began}-{ended} s, {question!r} {asked}-{answered} s"
        before = [q for q in person.asked if q[1] <= began]
        if bench.hand_axes:
            assert before[-1][2] == HANDS_CLEAR, f"{axis} started after {before[-1][2]!r}"


COORDINATE = st.floats(0.0, 1.0, width=16)


@settings(max_examples=150)
@given(data=st.data())
def test_no_motor_moves_between_a_question_and_its_answer(data: st.DataObject) -> None:
    """Whatever is moved, however long an answer takes, however the run ends: none does.

    Motors and screws are mixed at random over two stages, with backlash and steps of a limited
    length, in alignments that return to the best place and in checks, blocking and in asyncio;
    people refuse, and the run is stopped at any time.
    """
    draw = data.draw
    delays = draw(st.lists(st.sampled_from([0.5, 7.0, 60.0, 900.0]), min_size=1, max_size=5))
    refused = draw(st.none() | st.integers(3, 30))
    clock = VirtualClock()
    person = Person(clock, delays, {} if refused is None else {refused: "stop"})
    motors, screws, open_screws = (draw(st.integers(0, n)) for n in (3, 2, 1))
    if motors + screws + open_screws == 0:
        motors = 1
    labels = draw(st.permutations(range(4)))
    bench = made(
        motors, screws, open_screws, person,
        backlash=draw(st.sampled_from([0.0, 0.05])),
        max_step=draw(st.sampled_from([None, 0.7])),
        screws_last=draw(st.booleans()),
        order=lambda names: [names[k] for k in labels if k < len(names)],
    )  # fmt: skip
    stop = Stop(clock, draw(st.sampled_from([np.inf, 3.0, 65.0, 500.0, 5000.0])))
    places = draw(st.lists(st.lists(COORDINATE, min_size=6, max_size=6), min_size=1, max_size=4))
    session = Session.for_bench(bench, Wander(places))
    how = draw(st.sampled_from(["blocking", "asyncio", "check"]))
    try:
        if how == "check":
            check(bench, stop=stop)
        elif how == "asyncio":
            asyncio.run(aio.run(bench, session, stop=stop))
        else:
            run(bench, session, stop=stop)
    except (MotionFaultError, HeldError):
        assert refused is not None
        assert len(person.asked) > refused
    check_rule(bench, person)


@pytest.mark.parametrize("screws_last", [False, True])
def test_screws_go_first_and_motors_after_hands_are_clear(screws_last: bool) -> None:
    """One move of both kinds: the questions, the word that hands are clear, then all motors."""
    person = Person(VirtualClock(), [60.0])
    bench = made(2, 2, 1, person, screws_last=screws_last)
    run(bench, Session.for_bench(bench, Wander([[0.6] * 5])))
    first = min(began for _, began, _ in moves_of(bench))
    before = [q.partition(":")[0] for _, answered, q in person.asked if answered <= first]
    assert sorted(before[:-1]) == ["h0.x", "h0.x", "h1.x", "h1.x", "o0.x"]
    assert before[-1] == HANDS_CLEAR.partition(":")[0]
    starts = {began for _, began, _ in moves_of(bench)}
    assert len(starts) < len(moves_of(bench))
    check_rule(bench, person)


def test_deadlines_of_motors_begin_after_the_answer() -> None:
    """An hour for every answer: the run ends by itself, and not with a deadline."""
    person = Person(VirtualClock(), [3600.0])
    bench = made(3, 2, 1, person, backlash=0.05)
    finish = run(bench, Session.for_bench(bench, Wander([[0.6] * 6, [0.2] * 6])))
    assert "nothing left to try" in finish.reason
    assert moves_of(bench)
    check_rule(bench, person)


def test_a_bench_of_motors_alone_asks_nobody() -> None:
    """Nobody has been asked to touch it; the caution at the start is the caller's."""
    person = Person(VirtualClock(), [1.0])
    bench = made(2, 0, 0, person)
    run(bench, Session.for_bench(bench, Wander([[0.6] * 2])))
    assert moves_of(bench)
    assert person.asked == []


@pytest.mark.parametrize("answers", [("stop",), ()])
def test_without_the_word_that_hands_are_clear_no_motor_starts(answers: tuple[str, ...]) -> None:
    """Stop, and nobody there, end the run before a motor has moved."""
    given_ = iter(answers)

    def nobody(question: str) -> str:
        for answer in given_:
            return answer
        raise EOFError

    bench = made(1, 1, 0, Person(VirtualClock(), [1.0]))
    bench.hands.ask = nobody
    with pytest.raises(HeldError, match="no motor was started"):
        run(bench, Session.for_bench(bench, Wander([[0.6] * 2])))
    assert moves_of(bench) == []


def test_only_enter_says_that_hands_are_clear() -> None:
    """A reading that comes late is no consent: the question is put again."""
    answers = ["0.25", " "]
    hands = Hands(lambda question: answers.pop(0))
    hands.confirm_clear()
    assert hands.clear
    assert answers == []


def test_nobody_is_asked_for_a_scale_while_a_motor_moves() -> None:
    """Also outside a run: reading the bench asks nobody then; the motors alone can be read."""
    person = Person(VirtualClock(), [1.0])
    bench = made(1, 1, 0, person)
    bench.stages["mixed"].start_move("m0.x", 1.0)
    with pytest.raises(MotionFaultError, match="nobody is asked while a motor moves"):
        bench.positions()
    assert person.asked == []
    assert bench.statuses(bench.motors)["m0.x"].moving
    bench.bring_to_rest()
    assert person.asked == []
    assert bench.positions()["h0.x"] == 0.0
    assert len(person.asked) == 1


def test_a_motor_that_moved_while_a_person_was_asked_ends_the_run() -> None:
    """Somebody else set it going: nothing more is moved."""
    person = Person(VirtualClock(), [30.0])
    bench = made(1, 1, 0, person)

    def meddle(question: str) -> str:
        if question == HANDS_CLEAR:
            bench.stages["mixed"].start_move("m0.x", 1.0)
        return person(question)

    bench.hands.ask = meddle
    with pytest.raises(AlignError, match="nobody here moved it"):
        run(bench, Session.for_bench(bench, Wander([[0.6] * 2])))


def test_a_motor_that_somebody_starts_between_two_questions_is_waited_for_and_named() -> None:
    """The second question is not put while it moves, nor after it has moved."""
    person = Person(VirtualClock(), [30.0])

    def meddle(question: str) -> str:
        answer = person(question)
        if question.startswith("h0.x: turn"):
            bench.stages["mixed"].start_move("m0.x", 1.0)
        return answer

    bench = made(1, 2, 0, person)
    turned = bench.stages["hand"].axes.values()
    bench = replace(
        bench,
        stages={
            **bench.stages,
            "hand": HandDriver(meddle).build("hand", list(turned), HandSettings(), person.clock),
        },
    )
    with pytest.raises(MotionFaultError, match=r"m0\.x: left at .* nobody here moved it"):
        run(bench, Session.for_bench(bench, Wander([[0.6] * 3])))
    assert not [q for _, _, q in person.asked if q.startswith("h1.x: turn")]
    assert len(moves_of(bench)) == 1
