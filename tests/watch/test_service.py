"""The watch on a simulated bench, in virtual time: days in seconds."""

from __future__ import annotations

import json
import os
import sqlite3
import threading
from dataclasses import replace
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

import pytest
from autoalign_drivers.hand import HandDriver, HandSettings
from autoalign_simulators import benches

from autoalign.bench import Bench
from autoalign.core.errors import (
    DetectorError,
    HeldError,
    JournalError,
    LinkError,
    MotionFaultError,
    UsageError,
)
from autoalign.core.hands import HANDS_CLEAR, Hands
from autoalign.journal import Journal, read_journal
from autoalign.run.guard import Latch, MoveGuard
from autoalign.session import Move
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.watch import incident
from autoalign.watch.earlier import Tidy, doubts, set_damaged_aside, tidy
from autoalign.watch.events import Decision, Step
from autoalign.watch.incident import keep_incident
from autoalign.watch.policy import Policy
from autoalign.watch.service import Watch
from autoalign.watch.state import Mode

pytestmark = pytest.mark.slow


def drifting_bench() -> Bench:
    """A collimator whose source creeps by 7 µm an hour: half its tolerance."""
    bench = benches.collimator(seed=1, fidelity="moments")
    bench.truth.world.drift = {"source.x": 2e-6}
    return bench


def followed(bench: Bench, folder: Path, **settings: Any) -> tuple[Watch, list[Decision]]:
    """A watch and the list that its decisions are put into."""
    made: list[Decision] = []
    return Watch(
        bench, ResponseMatrix, folder, follow=lambda _, d: made.append(d), **settings
    ), made


def test_a_drifting_bench_is_kept_in_spec(tmp_path: Path) -> None:
    """Six hours of drift that would leave the spec three times over are met by realignments."""
    bench = drifting_bench()
    watch, made = followed(bench, tmp_path, policy=Policy(interval=2400.0, hourly=8))
    summary = watch.run(measurements=20)
    assert bench.truth.in_spec(bench.spec)
    assert 2 <= summary.realignments <= 8
    assert summary.realigned_in_spec == summary.realignments
    assert summary.pauses == 0
    assert [d.step for d in made][:3] == [Step.CONFIRM, Step.REALIGN, Step.STAND]
    records = sorted(tmp_path.glob("realign-*.db"))
    assert len(records) == summary.realignments
    assert read_journal(records[0]).finish is not None
    assert len(read_journal(tmp_path / "watch.db").measurements) == 20


def test_a_shutter_closed_is_no_reason_to_move(tmp_path: Path) -> None:
    """Darkness holds without motion; light that stays ends the hold."""
    bench = benches.collimator(seed=1, fidelity="moments")
    watch, made = followed(bench, tmp_path)
    watch.run(measurements=3)
    before = bench.positions()
    bench.truth.world.power = 0.0
    watch.run(measurements=6)
    assert watch.guard.latch is Latch.HOLD
    assert "no light" in made[-1].reason
    assert bench.positions() == before
    bench.truth.world.power = 1.0
    summary = watch.run(measurements=12)
    assert summary.state is Mode.ENDED
    assert summary.pauses == 1
    assert bench.positions() == before


def test_a_camera_that_stays_dead_ends_in_safe(tmp_path: Path, monkeypatch: Any) -> None:
    """An outage that lasts latches the bench; the watch ends and says so in its status file."""
    bench = benches.collimator(seed=1, fidelity="moments")
    watch, _ = followed(bench, tmp_path, policy=Policy(outage=60.0))
    watch.run(measurements=2)

    def dead(*_: object) -> None:
        raise DetectorError("camera far: no frame before the deadline.")

    for detector in bench.detectors.values():
        monkeypatch.setattr(type(detector), "acquire", dead)
    summary = watch.run(measurements=20)
    assert summary.state is Mode.LATCHED
    assert summary.measurements < 20
    status = json.loads((tmp_path / "status.json").read_text())
    assert status["state"] == "latched"
    assert "camera far" in status["reason"]


def test_safe_outlives_the_watch_until_its_incident_is_cleared(tmp_path: Path) -> None:
    """A new watch refuses to start; the right number lets it, on hold first; evidence is kept."""
    bench = benches.collimator(seed=1, fidelity="moments")
    keep_incident(tmp_path, "3 failures in a row", bench.clock.wall())
    number = json.loads((tmp_path / "incident.json").read_text())["number"]
    for cleared in ("", "20200101-000000"):
        with pytest.raises(HeldError, match=f"incident {number}: 3 failures in a row"):
            followed(bench, tmp_path, cleared=cleared)[0].run(measurements=1)
    watch, made = followed(bench, tmp_path, cleared=number)
    watch.run(measurements=1)
    assert made[0].step is Step.HOLD
    assert "was cleared" in made[0].reason
    assert (tmp_path / f"incident-{number}-cleared.json").exists()
    with pytest.raises(UsageError, match="no incident"):
        followed(bench, tmp_path, cleared=number)[0].run(measurements=1)


def test_an_axis_that_stalls_is_not_driven_again_and_again(
    tmp_path: Path, monkeypatch: Any
) -> None:
    """Realignments that break off count, whatever the looks between them say; then it is safe."""
    bench = benches.collimator(seed=1, fidelity="moments")
    tried = []

    def stalled(self: object, axis: str, target: float) -> None:
        tried.append(axis)
        raise MotionFaultError(f"axis {axis}: stalled.")

    for stage in bench.stages.values():
        monkeypatch.setattr(type(stage), "start_move", stalled)
    watch, _ = followed(bench, tmp_path, policy=Policy())
    summary = watch.run(measurements=60)
    assert summary.state is Mode.LATCHED
    assert summary.realignments == len(tried) == 3
    assert "stalled" in summary.reason


def pushed(bench: Bench, axis: str, by: float) -> None:
    """Move an axis past the watch, as from a panel."""
    stage = bench.stage_of(axis)
    stage.start_move(axis, stage.status(axis).position + by)
    while stage.status(axis).moving:
        bench.clock.sleep(0.1)


def test_a_hand_between_a_realignment_and_the_next_look_is_not_chased(tmp_path: Path) -> None:
    """What the look after a realignment sees is held against what the realignment left."""
    bench = benches.collimator(seed=1, fidelity="moments")
    watch, made = followed(bench, tmp_path)
    watch.run(measurements=2)
    assert [d.step for d in made] == [Step.CONFIRM, Step.REALIGN, Step.STAND]
    pushed(bench, "source.x", 1.0)
    watch.run(measurements=3)
    assert made[3].step is Step.HOLD
    assert "axis source.x is 1 mm from where it was left" in made[3].reason
    assert watch.summary.realignments == 1


def test_every_realignment_has_a_travel_budget_of_its_own(tmp_path: Path) -> None:
    """Together they travel further than one may; none of them is refused for it."""
    bench = drifting_bench()
    guard = MoveGuard(bench.axes, {"source.x": 1.2})
    spent: list[float] = []
    spend = guard.spend

    def counted(travel: Any) -> None:
        spent.append(travel.get("source.x", 0.0))
        spend(travel)

    guard.spend = counted  # type: ignore[method-assign]
    watch, _ = followed(bench, tmp_path, policy=Policy(interval=2400.0, daily=50), guard=guard)
    summary = watch.run(measurements=10)
    assert sum(spent) > guard.run_travel["source.x"]
    assert summary.realigned_in_spec == summary.realignments
    assert summary.pauses == 0


def test_after_a_crash_in_a_move_it_begins_on_hold(tmp_path: Path) -> None:
    """An intent without an outcome: nothing moves before positions and beam are seen steady."""
    bench = benches.collimator(seed=1, fidelity="moments")
    with Journal(tmp_path / "realign-0001.db", bench.clock, {}) as journal:
        journal.intent(Move(1, {"source.x": 0.1}, {"source.x": (0.1,)}, "cut off"), {"source.x": 0})
    watch, made = followed(bench, tmp_path, policy=Policy(steady=2))
    watch.run(measurements=2)
    assert made[0].step is Step.HOLD
    assert "broke off during a move" in made[0].reason


def test_a_realignment_cut_off_between_two_moves_begins_on_hold(tmp_path: Path) -> None:
    """Every move has its outcome, but the record has no end: nobody knows what came after."""
    bench = benches.collimator(seed=1, fidelity="moments")
    with Journal(tmp_path / "realign-0001.db", bench.clock, {}) as journal:
        move = Move(1, {"source.x": 0.1}, {"source.x": (0.1,)}, "one of several")
        journal.outcome(journal.intent(move, {"source.x": 0}), "done", {"source.x": 0.1})
    watch, made = followed(bench, tmp_path)
    watch.run(measurements=2)
    assert [d.step for d in made] == [Step.HOLD] * 3, "at the start, and after each measurement"
    assert "was cut off before it had ended" in made[0].reason


def test_a_record_cut_off_holds_no_later_start_once_all_was_seen_steady(tmp_path: Path) -> None:
    """The hold that it made has ended by itself: that is the confirmation."""
    bench = benches.collimator(seed=1, fidelity="moments")
    with Journal(tmp_path / "realign-0001.db", bench.clock, {}) as journal:
        journal.intent(Move(1, {"source.x": 0.1}, {"source.x": (0.1,)}, "cut off"), {"source.x": 0})
    steps = []
    for measurements in (1, 3, 1):
        watch, made = followed(bench, tmp_path, policy=Policy(steady=2))
        watch.run(measurements=measurements)
        steps.append(made[0].step)
    assert steps[:2] == [Step.HOLD, Step.HOLD], "one look on hold confirms nothing"
    assert steps[2] is Step.STAND


def test_positions_lost_while_no_watch_ran_are_not_believed(
    tmp_path: Path, monkeypatch: Any
) -> None:
    """A counter that reads 0.5 mm less at the restart holds, also at the restart after that."""
    bench = benches.collimator(seed=1, fidelity="moments")
    followed(bench, tmp_path)[0].run(measurements=6)
    stage = type(bench.stage_of("source.x"))
    real = stage.status

    def shifted(self: Any, axis: str) -> Any:
        told = real(self, axis)
        return replace(told, position=told.position - 0.5) if axis == "source.x" else told

    monkeypatch.setattr(stage, "status", shifted)
    for _ in range(2):
        watch, made = followed(bench, tmp_path)
        watch.run(measurements=1)
        assert made[0].step is Step.HOLD
        assert "axis source.x is -0.5 mm from where it was left" in made[0].reason


def test_a_restart_where_all_stands_as_it_was_left_does_not_hold(tmp_path: Path) -> None:
    """The noise of readings is no reason to hold."""
    bench = benches.collimator(seed=1, fidelity="moments")
    followed(bench, tmp_path)[0].run(measurements=3)
    watch, made = followed(bench, tmp_path)
    watch.run(measurements=1)
    assert made[0].step is Step.STAND


def test_a_damaged_note_of_where_the_axes_were_left_starts_nothing(tmp_path: Path) -> None:
    """The watch refuses and names the file."""
    (tmp_path / "left.json").write_text('{"positions": 3}')
    with pytest.raises(JournalError, match=r"left\.json: where the axes were left cannot be read"):
        followed(benches.collimator(seed=1, fidelity="moments"), tmp_path)[0].run(measurements=1)


@pytest.mark.parametrize("part", ["nothing", "a flipped bit", "half"])
def test_a_damaged_record_of_a_realignment_is_set_aside_and_locks_nothing(
    tmp_path: Path, part: str
) -> None:
    """It is renamed, its reason and the incident are noted, and the watch goes on when steady."""
    bench = benches.collimator(seed=1, fidelity="moments")
    path = tmp_path / "realign-0001.db"
    with Journal(path, bench.clock, {}) as journal:
        for k in range(200):
            journal.note("hint", f"note {k}")
    data = bytearray(path.read_bytes())
    data[data.index(b"note 77")] ^= 4
    path.write_bytes({"nothing": b"", "half": data[: len(data) // 2]}.get(part, bytes(data)))
    watch, made = followed(bench, tmp_path, policy=Policy(steady=2))
    watch.run(measurements=1)
    assert made[0].step is Step.HOLD
    assert "realign-0001.db, is damaged" in made[0].reason
    assert not path.exists()
    assert (tmp_path / "damaged-realign-0001.db").exists()
    assert "is damaged: " in (tmp_path / "damaged-realign-0001.txt").read_text()
    notes = [n for n in read_journal(tmp_path / "watch.db").notes if n["kind"] == "incident"]
    assert "was set aside as damaged-realign-0001.db" in notes[0]["text"]
    steps = []
    for _ in range(2):
        watch, made = followed(bench, tmp_path, policy=Policy(steady=2))
        watch.run(measurements=3)
        steps.append([d.step for d in made])
    assert steps[0][0] is Step.HOLD, "one look on hold confirms nothing"
    assert steps[0][-1] is not Step.HOLD
    assert Step.HOLD not in steps[1]


def test_the_log_of_a_damaged_record_goes_with_it(tmp_path: Path) -> None:
    """What a killed realignment wrote last is beside its file."""
    (tmp_path / "realign-0001.db").write_bytes(b"damaged")
    (tmp_path / "realign-0001.db-wal").write_bytes(b"log")
    (tmp_path / "damaged-realign-0001.db").write_bytes(b"an earlier one")
    words = set_damaged_aside(tmp_path)
    assert len(words) == 1
    assert (tmp_path / "damaged-realign-0001-2.db").read_bytes() == b"damaged"
    assert (tmp_path / "damaged-realign-0001-2.db-wal").read_bytes() == b"log"
    assert doubts(tmp_path, []).keys() == {"damaged-realign-0001.db", "damaged-realign-0001-2.db"}


def test_a_full_disk_pauses_and_the_watch_goes_on_once_there_is_room(
    tmp_path: Path, monkeypatch: Any
) -> None:
    """Without a record nothing moves; it once ended the watch, also where room came back soon."""
    bench = benches.collimator(seed=1, fidelity="moments")
    watch, _ = followed(bench, tmp_path)
    room, insert = iter([True] * 3 + [False] * 8), Journal._insert

    def full(*entry: Any) -> int:
        if not next(room, True):
            raise sqlite3.OperationalError("database or disk is full")
        return insert(*entry)

    monkeypatch.setattr(Journal, "_insert", full)
    before = bench.positions()
    summary = watch.run(measurements=4)
    assert summary.paused
    assert "no record can be written" in summary.reason
    assert bench.positions() == before
    assert json.loads((tmp_path / "status.json").read_text())["in_spec"] is None
    summary = watch.run(measurements=25)
    assert (summary.state, summary.paused, summary.realignments) == (Mode.ENDED, False, 1)
    assert watch.guard.latch is Latch.RUN


def filled_up(monkeypatch: Any, after: int) -> None:
    """Let the disk be full for records after so many of them, and for incidents from then on."""
    room, insert = iter(range(after)), Journal._insert

    def nospace(*_: object) -> None:
        raise OSError(28, "no space left on device")

    def full(*entry: Any) -> int:
        if next(room, None) is None:
            monkeypatch.setattr(incident, "atomic_write", nospace)
            raise sqlite3.OperationalError("database or disk is full")
        return insert(*entry)

    monkeypatch.setattr(Journal, "_insert", full)


def test_safe_outlives_a_full_disk(tmp_path: Path) -> None:
    """Where the incident cannot be written any more, the one prepared at the start is there."""
    bench = benches.collimator(seed=1, fidelity="moments")
    with pytest.MonkeyPatch.context() as patch:
        filled_up(patch, after=3)
        watch, _ = followed(bench, tmp_path, policy=Policy(outage=60.0))
        assert watch.run(measurements=25).state is Mode.LATCHED
    with pytest.raises(HeldError, match="there was no room to write down why"):
        followed(bench, tmp_path)[0].run(measurements=1)
    number = json.loads((tmp_path / "incident.json").read_text())["number"]
    watch, made = followed(bench, tmp_path, cleared=number)
    watch.run(measurements=1)
    assert made[0].step is Step.HOLD


def test_without_room_for_an_incident_nothing_starts(tmp_path: Path, monkeypatch: Any) -> None:
    """A disk that is full from the start is refused before the first look."""

    def nospace(*_: object) -> None:
        raise OSError(28, "no space left on device")

    monkeypatch.setattr(incident, "atomic_write", nospace)
    watch, made = followed(benches.collimator(seed=1, fidelity="moments"), tmp_path)
    with pytest.raises(JournalError, match="no room for an incident"):
        watch.run(measurements=1)
    assert made == []
    assert not list(tmp_path.glob("watch*.db"))


def test_what_is_prepared_for_an_incident_is_gone_after_an_orderly_end(tmp_path: Path) -> None:
    """Nothing in the folder of a healthy watch is called an incident."""
    followed(benches.collimator(seed=1, fidelity="moments"), tmp_path)[0].run(measurements=1)
    assert not list(tmp_path.glob("incident*"))


def test_an_incident_stays_where_the_record_cannot_be_opened(tmp_path: Path) -> None:
    """Clearing counts once the new watch has its record; until then the bench stays safe."""
    bench = benches.collimator(seed=1, fidelity="moments")
    number = keep_incident(tmp_path, "3 failures in a row", bench.clock.wall()).number

    def full(*_: object) -> None:
        raise sqlite3.OperationalError("disk is full")

    with pytest.MonkeyPatch.context() as patch:
        patch.setattr(Journal, "_open", full)
        with pytest.raises(JournalError, match="disk is full"):
            followed(bench, tmp_path, cleared=number)[0].run(measurements=1)
    with pytest.raises(HeldError, match="3 failures in a row"):
        followed(bench, tmp_path)[0].run(measurements=1)


def test_a_cleared_incident_holds_until_the_bench_was_seen_steady(tmp_path: Path) -> None:
    """A watch that ends before that leaves the hold to the next one; later starts are free."""
    bench = benches.collimator(seed=1, fidelity="moments")
    cleared = keep_incident(tmp_path, "3 failures in a row", bench.clock.wall()).number
    steps = []
    for measurements in (1, 6, 1):
        watch, made = followed(bench, tmp_path, cleared=cleared)
        watch.run(measurements=measurements)
        steps.append(made[0].step)
        cleared = ""
    assert steps == [Step.HOLD, Step.HOLD, Step.STAND]


def test_the_same_watch_goes_on_once_its_incident_is_cleared(tmp_path: Path) -> None:
    """Its own latch opens with the incident, and failures are counted anew."""
    bench = benches.collimator(seed=1, fidelity="moments")
    watch, made = followed(bench, tmp_path, policy=Policy(outage=60.0))

    def dead(*_: object) -> None:
        raise DetectorError("camera far: no frame before the deadline.")

    with pytest.MonkeyPatch.context() as patch:
        for detector in bench.detectors.values():
            patch.setattr(type(detector), "acquire", dead)
        watch.run(measurements=20)
        watch.cleared = json.loads((tmp_path / "incident.json").read_text())["number"]
        measurements = watch.summary.measurements
        assert watch.run(measurements=measurements + 1).paused, "the outage is counted anew"
    watch.cleared = ""
    watch.run(measurements=measurements + 6)
    assert watch.guard.latch is Latch.RUN
    assert any(d.step is not Step.HOLD for d in made)


def test_a_frozen_camera_moves_nothing(tmp_path: Path, monkeypatch: Any) -> None:
    """The same pixels as in the look before are no look."""
    bench = benches.collimator(seed=1)
    watch, made = followed(bench, tmp_path)
    before = bench.positions()
    frozen: dict[str, Any] = {}
    for detector in bench.detectors.values():
        monkeypatch.setattr(type(detector), "acquire", _frozen(type(detector).acquire, frozen))
    watch.run(measurements=3)
    assert bench.positions() == before
    assert made[1].step is Step.HOLD
    assert "are those of the frame before" in made[1].reason


def _frozen(real: Any, kept: dict[str, Any]) -> Any:
    def acquire(self: Any, *request: Any) -> Any:
        fresh = real(self, *request)
        first = kept.setdefault(self.name, fresh)
        return [replace(f, pixels=first[0].pixels) for f in fresh]

    return acquire


def test_stop_ends_in_an_orderly_way(tmp_path: Path) -> None:
    """A stop flag set in the middle ends the watch; the journal is whole and nothing is lost."""
    bench, flag = benches.collimator(seed=1, fidelity="moments"), threading.Event()
    watch, made = followed(bench, tmp_path, stop=flag)
    watch.follow = lambda _, d: (made.append(d), flag.set() if len(made) == 4 else None)[0]  # type: ignore[func-returns-value]
    summary = watch.run(measurements=100)
    assert summary.measurements < 10
    assert json.loads((tmp_path / "status.json").read_text())["state"] == "ended"
    assert len(read_journal(tmp_path / "watch.db").measurements) == summary.measurements


def test_two_watches_do_not_share_a_folder(tmp_path: Path) -> None:
    """The second is refused with the reason."""
    from filelock import FileLock  # noqa: PLC0415

    watch, _ = followed(benches.collimator(seed=1, fidelity="moments"), tmp_path)
    with FileLock(tmp_path / "watch.lock"), pytest.raises(HeldError, match="another watch"):
        watch.run(measurements=1)


def test_a_bench_without_a_spec_cannot_be_watched(tmp_path: Path) -> None:
    """There is nothing to keep."""
    bench = benches.collimator(seed=1, fidelity="moments")
    bench.spec = None
    with pytest.raises(UsageError, match="no spec"):
        Watch(bench, ResponseMatrix, tmp_path)


def test_a_bench_with_free_screws_is_not_watched_and_nobody_is_asked(tmp_path: Path) -> None:
    """371 questions were once asked of nobody: it is refused at the start, with what to do."""
    bench, asked = screwed_bench()
    with pytest.raises(
        UsageError, match=r"mirror\.tilt, mirror\.clocking are turned by hand.*Lock them .*locked"
    ):
        Watch(bench, ResponseMatrix, tmp_path)
    assert asked == []


def test_locked_screws_are_read_and_hands_clear_before_the_watch_begins(tmp_path: Path) -> None:
    """All questions come while somebody is there; the later realignment asks nobody."""
    bench, asked = screwed_bench()
    bench.locked = ("mirror",)
    watch, made = followed(bench, tmp_path, policy=Policy(interval=600.0))
    watch.follow = lambda _, d: (made.append(d), asked.append(d.step.value))[0]  # type: ignore[func-returns-value]
    watch.run(measurements=4)
    assert ["scale" in q for q in asked[:3]] == [True] * 3
    assert asked[3] == HANDS_CLEAR
    assert "realign" in asked
    assert not [q for q in asked[4:] if "?" in q]


def screwed_bench() -> tuple[Bench, list[str]]:
    """A collimator whose mirror is on screws, and every question that is put."""
    bench, asked = benches.collimator(seed=1, fidelity="moments"), []

    def answer(question: str) -> str:
        asked.append(question)
        return "0" if "scale" in question else ""

    axes = list(bench.stage_of("mirror.tip").axes.values())
    screws = HandDriver(answer).build("mirror", axes, HandSettings(), bench.clock)
    stages = {n: screws if "mirror.tip" in s.axes else s for n, s in bench.stages.items()}
    return replace(bench, stages=stages, hands=Hands(answer)), asked


class Broken:
    """A stage whose line can be cut; what is behind it stays."""

    def __init__(self, stage: Any, cut: list[bool], identity: str = "") -> None:
        self.stage, self.cut, self.other = stage, cut, identity

    def __getattr__(self, name: str) -> Any:
        if name in ("status", "start_move", "identity") and self.cut[0]:
            raise LinkError(f"controller {self.stage.name}: the line is closed.")
        return getattr(self.stage, name)

    def identity(self) -> str:
        """Return what is behind the line, or who else."""
        if self.cut[0]:
            raise LinkError(f"controller {self.stage.name}: the line is closed.")
        return self.other or self.stage.identity()


def with_lines(bench: Bench, cut: list[bool], identity: str = "") -> Bench:
    """The bench on lines that can be cut, and opened again as another bench."""
    return replace(bench, stages={n: Broken(s, cut, identity) for n, s in bench.stages.items()})


def after(count: int, made: list[Decision], happens: Any) -> Any:
    """Follow a watch, and let something happen after so many decisions."""

    def follow(_: object, decision: Decision) -> None:
        made.append(decision)
        if len(made) == count:
            happens()

    return follow


def test_a_closed_line_is_opened_again_and_the_watch_goes_on(tmp_path: Path) -> None:
    """Its error once ended the watch after three tries, although the line was back in seconds."""
    real, cut, opened = benches.collimator(seed=1, fidelity="moments"), [False], []

    def reopen(before: Bench) -> Bench:
        opened.append(before)
        cut[0] = len(opened) < 3
        if cut[0]:
            raise LinkError("controller source: no such port.")
        return with_lines(real, [False])

    watch, made = followed(with_lines(real, cut), tmp_path, reopen=reopen)
    watch.follow = after(4, made, lambda: cut.__setitem__(0, True))
    summary = watch.run(measurements=16)
    assert len(opened) == 3
    assert watch.state.outages == 1
    assert summary.state is Mode.ENDED
    assert watch.state.mode is not Mode.LATCHED
    assert not watch.state.holding
    assert any("every device answers again" in d.reason for d in made)


def test_another_controller_on_the_reopened_line_latches(tmp_path: Path) -> None:
    """Nothing is sent to it, and both identities are named."""
    real, cut = benches.collimator(seed=1, fidelity="moments"), [False]
    watch, made = followed(
        with_lines(real, cut), tmp_path,
        reopen=lambda _: with_lines(real, [False], identity="somebody else"),
    )  # fmt: skip
    watch.follow = after(3, made, lambda: cut.__setitem__(0, True))
    summary = watch.run(measurements=9)
    assert summary.state is Mode.LATCHED
    assert "says it is 'somebody else', and was" in summary.reason


def test_a_process_that_was_held_begins_anew(tmp_path: Path, monkeypatch: Any) -> None:
    """An hour in which it stood still: nothing is decided on what was measured before."""
    bench = benches.collimator(seed=1, fidelity="moments")
    watch, made = followed(bench, tmp_path)
    clock, sleep, held = bench.clock, bench.clock.sleep, [0.0]

    def slept(seconds: float) -> None:
        sleep(seconds + (held.pop() if seconds == 1.0 and held else 0.0))

    monkeypatch.setattr(clock, "sleep", slept)
    watch.follow = after(5, made, lambda: held.append(3600.0))
    watch.run(measurements=12)
    assert made[5].step is Step.HOLD
    assert "the process was held up for 1 h 00 min" in made[5].reason
    assert [d.step for d in made][-1] is not Step.HOLD


def test_a_person_with_the_bench_is_left_alone(tmp_path: Path) -> None:
    """The file in the folder says who; nothing is realigned while it is there."""
    bench = benches.collimator(seed=1, fidelity="moments")
    (tmp_path / "local").write_text("Kim, until noon")
    watch, made = followed(bench, tmp_path)
    summary = watch.run(measurements=5)
    assert summary.realignments == 0
    assert "a person has the bench (Kim, until noon); remove" in made[-1].reason
    (tmp_path / "local").unlink()
    assert watch.run(measurements=12).realignments == 1


def test_old_records_go_and_those_around_an_incident_stay(tmp_path: Path) -> None:
    """By size as well; what is open is never removed."""
    for k, name in enumerate(["watch.db", "watch-2.db", "realign-0001.db", "watch-3.db"]):
        (tmp_path / name).write_bytes(b"x" * 1_000_000)
        os.utime(tmp_path / name, (86400.0 * k, 86400.0 * k))
    (tmp_path / "incident-1-cleared.json").write_text("{}")
    os.utime(tmp_path / "incident-1-cleared.json", (86400.0, 86400.0))
    now = datetime.fromtimestamp(86400.0 * 10, UTC)
    keep = Tidy(days=8.5, megabytes=1000.0, around=1.0)
    assert tidy(tmp_path, keep, now, tmp_path / "watch-3.db") == ["watch.db"]
    keep = Tidy(days=100.0, megabytes=1.5, around=1.0)
    assert tidy(tmp_path, keep, now, tmp_path / "watch-3.db") == ["realign-0001.db"]
    assert {p.name for p in tmp_path.glob("*.db")} == {"watch-2.db", "watch-3.db"}
