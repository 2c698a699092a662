"""The watch on a simulated bench, in virtual time: days in seconds."""

from __future__ import annotations

import json
import threading
from pathlib import Path
from typing import Any

import pytest
from autoalign_simulators import benches

from autoalign.bench import Bench
from autoalign.errors import DetectorError, HeldError, UsageError
from autoalign.journal import read_journal
from autoalign.safety import Latch
from autoalign.search.response_matrix import ResponseMatrix
from autoalign.watch.policy import Decision, Policy, Step
from autoalign.watch.service import Watch

pytestmark = pytest.mark.slow


def drifting_bench() -> Bench:
    """A collimator whose source creeps by 7 µm an hour: half its tolerance."""
    bench = benches.collimator(seed=1)
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
    watch, made = followed(bench, tmp_path, policy=Policy(interval=2400.0, realignments=8))
    summary = watch.run(looks=12)
    assert bench.truth.in_spec(bench.spec)
    assert 2 <= summary.realignments <= 8
    assert summary.realigned_in_spec == summary.realignments
    assert summary.holds == 0
    assert [d.step for d in made][:3] == [Step.CONFIRM, Step.REALIGN, Step.STAND]
    records = sorted(tmp_path.glob("realign-*.db"))
    assert len(records) == summary.realignments
    assert read_journal(records[0]).finish is not None
    assert len(read_journal(tmp_path / "watch.db").looks) == 12


def test_a_shutter_closed_is_no_reason_to_move(tmp_path: Path) -> None:
    """Darkness holds without motion; light that stays ends the hold."""
    bench = benches.collimator(seed=1)
    watch, made = followed(bench, tmp_path)
    watch.run(looks=3)
    before = bench.positions()
    bench.truth.world.power = 0.0
    watch.run(looks=6)
    assert watch.guard.latch is Latch.HOLD
    assert "no light" in made[-1].reason
    assert bench.positions() == before
    bench.truth.world.power = 1.0
    summary = watch.run(looks=12)
    assert summary.state is Latch.RUN
    assert summary.holds == 1
    assert bench.positions() == before


def test_a_camera_that_stays_dead_ends_in_safe(tmp_path: Path, monkeypatch: Any) -> None:
    """Errors in a row latch the bench safe; the watch ends and says so in its status file."""
    bench = benches.collimator(seed=1)
    watch, _ = followed(bench, tmp_path)
    watch.run(looks=2)

    def dead(*_: object) -> None:
        raise DetectorError("camera far: no frame before the deadline.")

    for detector in bench.detectors.values():
        monkeypatch.setattr(type(detector), "acquire", dead)
    summary = watch.run(looks=20)
    assert summary.state is Latch.SAFE
    assert summary.looks < 20
    status = json.loads((tmp_path / "status.json").read_text())
    assert status["state"] == "safe"
    assert "camera far" in status["reason"]


def test_stop_ends_in_an_orderly_way(tmp_path: Path) -> None:
    """A stop flag set in the middle ends the watch; the journal is whole and nothing is lost."""
    bench, flag = benches.collimator(seed=1), threading.Event()
    watch, made = followed(bench, tmp_path, stop=flag)
    watch.follow = lambda _, d: (made.append(d), flag.set() if len(made) == 4 else None)[0]  # type: ignore[func-returns-value]
    summary = watch.run(looks=100)
    assert summary.looks < 10
    assert json.loads((tmp_path / "status.json").read_text())["state"] == "stopped"
    assert len(read_journal(tmp_path / "watch.db").looks) == summary.looks


def test_two_watches_do_not_share_a_folder(tmp_path: Path) -> None:
    """The second is refused with the reason."""
    from filelock import FileLock  # noqa: PLC0415

    watch, _ = followed(benches.collimator(seed=1), tmp_path)
    with FileLock(tmp_path / "watch.lock"), pytest.raises(HeldError, match="another watch"):
        watch.run(looks=1)


def test_a_bench_without_a_spec_cannot_be_watched(tmp_path: Path) -> None:
    """There is nothing to keep."""
    bench = benches.collimator(seed=1)
    bench.spec = None
    with pytest.raises(UsageError, match="no spec"):
        Watch(bench, ResponseMatrix, tmp_path)
