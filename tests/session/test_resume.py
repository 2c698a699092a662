"""Going on with an interrupted run: what was spent counts, nothing is looked at twice."""

from __future__ import annotations

from dataclasses import replace

import pytest

from autoalign.core.errors import AlignError, UsageError
from autoalign.journal import Journal, read_journal
from autoalign.run.align import align
from autoalign.run.compose import run
from autoalign.session import Budget, Move, Purpose, Replayed, Session, Status
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Need, Strategy
from autoalign.strategies.response_matrix import ResponseMatrix


class Visits(Strategy):
    """Asks for given places and keeps what it is told."""

    name = "visits"
    needs = frozenset({Need.MERIT})

    def __init__(self, *places):
        self.places, self.told = places, []

    def propose(self, problem):
        """Yield the places."""
        for place in self.places:
            self.told.append((yield place))


def cut_short(bench, path, after, **settings):
    """Align until ``after`` looks were recorded, then interrupt the run."""

    def interrupt(event):
        if event.measurement is not None and event.measurements == after:
            raise KeyboardInterrupt

    with pytest.raises(KeyboardInterrupt):
        align(bench, journal=path, progress=interrupt, **settings)


def seen_at(bench, path, x, q):
    """Return what ``bench`` would show at ``x``, with quantities about ``q``."""
    bench.detectors["meter"].function = lambda _: {f"q{i}": q for i in range(4)}
    align(bench, strategy=Visits(), journal=path)
    look = read_journal(path).measurements[0].measurement
    return replace(look, positions=look.positions + x)


def set_identity(bench, said):
    """Have the stage of ``bench`` say what it is, or fail to; return the bench."""

    def identity():
        if isinstance(said, Exception):
            raise said
        return said

    bench.stages["stage"].identity = identity
    return bench


@pytest.mark.parametrize("beside", [Purpose.CLOSER, Purpose.STILL_LIT])
def test_a_look_beside_a_probe_belongs_to_it(make_bench, tmp_path, beside):
    """A closer look is what the strategy was told; a look for light is not. Both count."""
    bench = make_bench(noise=0.0)
    first, rough, fine, after = (
        seen_at(bench, tmp_path / f"{q}.db", x, q)
        for x, q in (
            (0.0, 9.0),
            (1.0, 8.0),
            (1.0 if beside is Purpose.CLOSER else 0.0, 7.0),
            (2.0, 6.0),
        )
    )
    record = [
        Replayed(first, Purpose.FIRST), Replayed(rough), Replayed(fine, beside), Replayed(after)
    ]  # fmt: skip
    count = len(first.positions)
    visits = Visits(count * [1.0], count * [2.0])
    session = Session.for_bench(bench, visits, replay=record)
    session.stand_at(bench.positions())
    session.next_action()
    assert visits.told == [fine if beside is Purpose.CLOSER else rough, after]
    assert session.measurements == 4


def test_a_record_that_goes_elsewhere_is_spent_all_the_same(make_bench, tmp_path):
    """Its looks answer nothing and are not made again; the budget does not begin anew."""
    bench = make_bench(noise=0.0)
    record = [
        Replayed(
            seen_at(bench, tmp_path / f"{x}.db", x, 9.0), Purpose.PROBE if x else Purpose.FIRST
        )
        for x in (0.0, 1.0, 2.0, 3.0)
    ]
    visits = Visits(*([k / 10] * len(record[0].measurement.positions) for k in range(1, 20)))
    session = Session.for_bench(bench, visits, replay=record, budget=Budget(6))

    measurements = bench.detectors["meter"].measurements
    assert run(bench, session).status is Status.BUDGET
    assert session.measurements == 4 + bench.detectors["meter"].measurements - measurements
    assert session.measurements <= 6


def test_a_beam_in_spec_in_the_record_is_looked_at_again(make_bench, tmp_path):
    """What was in spec before the interruption need not be now."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    good = seen_at(bench, tmp_path / "good.db", 0.0, 0.0)
    assert good.in_spec
    cut_short(bench, path, 1)
    bench.detectors["meter"].function = lambda _: {f"q{i}": 9.0 for i in range(4)}
    result = align(bench, journal=path, resume=True, budget=4)
    assert not result.in_spec


def test_the_budget_is_that_of_the_interrupted_run(make_bench, tmp_path):
    """Looks and seconds, where no other is given; what was spent of both counts."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, 4, strategy="random", budget=Budget(8, 1e6))
    spent = read_journal(path).measurements[-1].elapsed
    assert spent > 0
    bench.clock.sleep(1e5)
    result = align(bench, strategy="random", journal=path, resume=True)
    assert result.status is Status.BUDGET
    assert result.measurements in (7, 8)
    assert spent < result.seconds < 1e5
    again = align(bench, strategy="random", journal=path, resume=True, budget=Budget(60, 1e-3))
    assert again.status is Status.BUDGET
    assert again.measurements <= result.measurements + 1


def test_another_bench_spec_or_hold_is_no_later_part_of_a_run(make_bench, tmp_path):
    """What was seen would not be what this run means; each refusal says which."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, 2)
    axis = next(iter(bench.axes))
    other = make_bench(scale=[2.0, 1.0, 1.0])
    for refused, settings, words in (
        (other, {}, "the bench has changed: axes"),
        (bench, {"spec": Spec((QuantityTerm("meter.q0", 5.0),))}, "its spec is another one"),
        (bench, {"locked": (axis,)}, "its locked axes are none"),
    ):
        with pytest.raises(UsageError, match=words):
            align(refused, journal=path, resume=True, **settings)
    assert align(bench, journal=path, resume=True).in_spec


@pytest.mark.parametrize(
    ("change", "words"),
    [
        (lambda b: replace(b, name="other"), "is called 'fake', this one 'other'"),
        (
            lambda b: replace(b, truth=object() if b.truth is None else None),
            "its bench is .*, this one ",
        ),
        (lambda b: replace(b, stages={"second": b.stages["stage"]}), "stage second is on one of"),
        (lambda b: set_identity(b, "new"), "said it is 'fake stage', this one says 'new'"),
    ],
)
def test_the_run_of_other_hardware_is_not_gone_on_with(make_bench, tmp_path, change, words):
    """Another bench, simulated or real, another controller behind the same name."""
    path = tmp_path / "run.db"
    cut_short(make_bench(noise=0.0), path, 2)
    with pytest.raises(UsageError, match=rf"no earlier part of this run \(.*{words}"):
        align(change(make_bench(noise=0.0)), journal=path, resume=True)


@pytest.mark.parametrize("said", ["", AlignError("the line is dead")])
def test_a_controller_that_does_not_say_what_it_is_is_no_other_one(make_bench, tmp_path, said):
    """What is not known on both sides tells nothing."""
    path = tmp_path / "run.db"
    cut_short(make_bench(noise=0.0), path, 2)
    bench = set_identity(make_bench(noise=0.0), said)
    assert align(bench, journal=path, resume=True).in_spec


@pytest.mark.parametrize("missing", [2, 0])
def test_an_interrupted_run_goes_on_from_its_record(make_bench, tmp_path, missing):
    """Resumed with the same bench it ends as the uninterrupted one, and no look is repeated."""
    whole = align(make_bench(noise=0.0), seed=5)
    after = whole.measurements - missing
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, after, seed=5)
    measurements = bench.detectors["meter"].measurements
    result = align(bench, journal=path, resume=True)
    verifying = int(after == whole.measurements)
    assert result.in_spec
    assert result.seed == 5
    assert result.measurements == whole.measurements + verifying
    assert bench.detectors["meter"].measurements - measurements == result.measurements - after
    assert result.positions == pytest.approx(whole.positions)
    assert len(read_journal(path).measurements) == result.measurements


def test_a_move_cut_off_is_recorded_as_unknown(make_bench, tmp_path):
    """A process that dies in a move leaves an intent; the resumed run says how that ended."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, 3)
    axis, position = next(iter(bench.positions().items()))
    with Journal(path, bench.clock, resume=True) as journal:
        journal.intent(Move(9, {axis: 1.0}, {axis: (1.0,)}, "cut off"), {axis: position})
    assert len(read_journal(path).open_moves) == 1
    align(bench, journal=path, resume=True)
    past = read_journal(path)
    assert not past.open_moves
    assert [m.status for m in past.moves].count("unknown") == 1


class Told(ResponseMatrix):
    """A response matrix that keeps what it is told."""

    def propose(self, problem):
        """Pass everything on."""
        self.told = []
        inner = super().propose(problem)
        target = next(inner)
        while True:
            self.told.append((yield target))
            target = inner.send(self.told[-1])


@pytest.mark.parametrize(("off", "used"), [(0.0, True), (0.3, False)])
def test_a_record_of_another_place_is_not_taken_for_this_one(make_bench, tmp_path, off, used):
    """Resumed where the strategy asks for other positions, it looks itself."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, 4)
    measurements = bench.detectors["meter"].measurements
    past = read_journal(path).replay
    moved = [
        replace(r, measurement=replace(o := r.measurement, positions=o.positions + off * (k > 0)))
        for k, r in enumerate(past)
    ]
    strategy = Told()
    session = Session.for_bench(bench, strategy, replay=moved)
    run(bench, session)
    assert session.measurements == 4 + bench.detectors["meter"].measurements - measurements
    assert [o in [r.measurement for r in moved] for o in strategy.told[:2]] == 2 * [used]


@pytest.mark.parametrize("after", [2, 3, 4, 5, 6])
def test_a_record_that_spent_the_budget_is_not_the_last_word(make_bench, tmp_path, after):
    """Nothing is left to search for: resumed, it goes to the best place and looks there itself."""
    bench, path = make_bench(noise=0.0), tmp_path / "run.db"
    cut_short(bench, path, after, strategy="axis-by-axis")
    measurements = bench.detectors["meter"].measurements
    result = align(bench, strategy="axis-by-axis", budget=after + 1, journal=path, resume=True)
    assert bench.detectors["meter"].measurements - measurements >= 1
    assert result.in_spec or result.status is Status.BUDGET
    assert result.after.merit <= 1.01 * result.before.merit


def test_a_resume_that_cannot_be_one_is_refused(make_bench, tmp_path):
    """Another strategy's record, or none."""
    path = tmp_path / "run.db"
    align(make_bench(), journal=path, strategy="response-matrix")
    with pytest.raises(UsageError, match="needs the journal"):
        align(make_bench(), resume=True)
    with pytest.raises(UsageError, match="it is a run of 'response-matrix'"):
        align(make_bench(), journal=path, resume=True, strategy="axis-by-axis")
