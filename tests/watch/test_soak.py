"""Short soaks: the watch on a simulated bench in virtual time, judged by its truth."""

from __future__ import annotations

from types import SimpleNamespace

import pytest
from autoalign_simulators import benches

from autoalign.core.errors import UsageError
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.watch.policy import Policy
from autoalign.watch.soak import FAULTS, SoakPlan, SoakResult, _Lab, soak
from autoalign.watch.state import Mode, WatchState

pytestmark = pytest.mark.slow


def soaked(**plan: float) -> SoakResult:
    """What comes of a soak of the collimator without pixels."""
    bench = benches.collimator(seed=1, fidelity="moments")
    return soak(bench, ResponseMatrix, SoakPlan(**{"seed": 1, "days": 0.5, **plan}))  # type: ignore[arg-type]


def test_a_bench_at_rest_is_left_alone_however_noisy_it_is() -> None:
    """At 0.6 tolerances the watch was once paused for 709 of 720 measurements."""
    result = soaked(noise=0.6, drift=0.0)
    assert (result.realignments, result.pauses, result.violations) == (0, 0, 0)
    assert result.noise == pytest.approx(0.6, rel=0.02)
    assert result.share_in_spec == 1.0
    assert result.exposures_averaged >= 4
    assert result.measurements > 60


def test_a_soak_counts_memory_and_open_files() -> None:
    """Handles that leak would show in a year as well as in an hour."""
    result = soaked(days=0.2, noise=0.1, drift=0.0)
    early, late = result.open_files
    assert late <= early + 1
    assert result.memory_mb[1] >= result.memory_mb[0] > 0


def test_a_drifting_bench_is_realigned_and_stays_in_spec() -> None:
    """Twelve tolerances a day, noise 0.1: no realignment too many, and little time out of spec."""
    result = soaked(noise=0.1, drift=12.0)
    assert result.realignments >= 2
    assert result.realigned_in_spec == result.realignments
    assert result.needless == result.needless_within_systematics <= 1, result.needless_reasons
    assert result.violations == 0
    assert result.share_in_spec > 0.9


def test_a_day_of_troubles_violates_no_rule() -> None:
    """Faults one after the other: every pause has its cause, and the watch goes on by itself."""
    result = soaked(noise=0.1, drift=0.5, faults=24.0, days=1.0)
    assert sum(result.injected.values()) >= 6
    assert set(result.injected) <= set(FAULTS)
    assert result.violation_list == []
    assert result.false_pause_reasons == []
    assert result.pauses >= 3


def test_the_referee_sees_a_rule_that_is_broken() -> None:
    """A move while paused, and one beyond the limits, are violations."""
    bench = benches.collimator(seed=1, fidelity="moments")
    result = SoakResult(1.0, 0.1, 0.0, 0.0, 1, bench.name)
    lab = _Lab(bench, SoakPlan(), Policy(), result)
    axis = bench.axes["source.x"]
    lab.bench.stage_of(axis.name).start_move(axis.name, 0.0)
    assert result.violations == 0, "before the watch begins anybody may move it"
    lab.watch = SimpleNamespace(state=WatchState(Mode.PAUSED, holding="no light"))  # type: ignore[assignment]
    lab.moves(axis, 0.0)
    lab.moves(axis, 2 * axis.upper)
    assert result.violation_list == [
        "source.x moved while paused",
        f"source.x sent to {2 * axis.upper!r}, beyond its limits",
        "source.x moved while paused",
    ]


def test_a_bench_that_gives_frames_is_refused() -> None:
    """A year of frames takes weeks."""
    with pytest.raises(UsageError, match="gives moments or readings is needed"):
        soak(benches.collimator(seed=1), ResponseMatrix, SoakPlan(days=0.1, noise=1.0))
