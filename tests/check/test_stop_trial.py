"""STOP is tried in mid-move, as the first act of a check on each controller."""

from __future__ import annotations

import dataclasses
from types import SimpleNamespace
from typing import Any

import pytest
from autoalign_simulators.benches import collimator

from autoalign.check import check_bench
from autoalign.check.stop_trial import try_stop
from autoalign.core.axes import Axis
from autoalign.core.errors import MotionFaultError
from autoalign.journal import read_journal


class Deaf:
    """A controller that takes STOP and goes on."""

    def __init__(self, stage: Any) -> None:
        self._stage = stage

    def stop(self) -> None:
        """Do nothing."""

    def __getattr__(self, name: str) -> Any:
        return getattr(self._stage, name)


def test_stop_is_the_first_act_on_each_controller(tmp_path: Any) -> None:
    """Before any axis is relied on to end, one of each controller was stopped in mid-move."""
    bench = collimator(1)
    result = check_bench(bench, axes=["source.x", "source.y"], journal=tmp_path / "check.db")
    (said,) = result.stops
    assert (said.code, said.subject) == ("stop-obeyed", "source.x")
    first, second = read_journal(tmp_path / "check.db").moves[:2]
    assert first.reason == "source.x: STOP in mid-move"
    assert second.reason == "source.x: back after STOP"
    axis = bench.axes["source.x"]
    assert abs(first.targets["source.x"] - result.start["source.x"]) <= axis.travel / 50 + 1e-12


def test_a_controller_that_goes_on_is_told_apart(tmp_path: Any) -> None:
    """A STOP without effect is never called obeyed."""
    bench = collimator(1)
    stages = {n: Deaf(s) for n, s in bench.stages.items()}
    result = check_bench(dataclasses.replace(bench, stages=stages), axes=["source.x"])
    (said,) = result.stops
    assert said.code in ("stop-untried", "stop-not-obeyed")


def test_a_long_move_that_is_not_stopped_is_an_error() -> None:
    """An axis that still moves seconds after STOP ends the check with its name."""
    bench = collimator(1)
    stages = {n: Deaf(s) for n, s in bench.stages.items()}
    motor = bench.truth.world.motors["source.x"]
    motor.traits = dataclasses.replace(motor.traits, speed=0.01)
    deaf = dataclasses.replace(bench, stages=stages)
    with pytest.raises(MotionFaultError, match=r"axis source\.x: still moving 3 s after the stop"):
        check_bench(deaf, axes=["source.x"])


@pytest.mark.parametrize(
    ("speed", "rest", "code"),
    [(0.1, 0.05, "stop-obeyed"), (0.1, 0.2, "stop-not-obeyed"), (2.0, 0.2, "stop-untried"),
     (None, 0.2, "stop-untried")],
)  # fmt: skip
def test_what_the_place_of_rest_says(speed: float | None, rest: float, code: str) -> None:
    """Short of the target it was stopped; at it, it was not, unless the stop may have been late."""
    axis = Axis("a.x", "mm", -5.0, 5.0, resolution=1e-3, speed=speed)
    trial = try_stop(axis, 0.0)
    out = next(trial)
    assert out.cut_short
    assert abs(out.targets["a.x"]) == pytest.approx(0.2)
    sign = 1.0 if out.targets["a.x"] > 0 else -1.0
    back = trial.send(SimpleNamespace(positions={"a.x": sign * rest}))  # type: ignore[arg-type]
    assert dict(back.targets) == {"a.x": 0.0}
    with pytest.raises(StopIteration) as end:
        trial.send(SimpleNamespace(positions={"a.x": 0.0}))  # type: ignore[arg-type]
    assert end.value.value.code == code
    assert "a.x" in str(end.value.value)
