"""A memory that somebody changed: never a crash, never silence; and how one ages."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from dataclasses import replace
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from hypothesis import HealthCheck, given, settings
from hypothesis import strategies as st

from autoalign.bench import Bench
from autoalign.core.clock import VirtualClock
from autoalign.core.interfaces import AxisStatus
from autoalign.diagnosis.through_focus import through_focus
from autoalign.model.calibration import DRIFT, LASTING, recall
from autoalign.model.predict import BenchModel
from autoalign.run.calibration_file import CalibrationFile
from autoalign.strategies.model import Model, knowledge_of

SHARED = settings(suppress_health_check=[HealthCheck.function_scoped_fixture], max_examples=60)
NUMBERS = ("phi", "sigma", "root")

LEAVES = st.one_of(
    st.none(), st.booleans(), st.text(max_size=3), st.floats(), st.integers(),
    st.sampled_from([0.0, -1.0, 9.9, 1e3, 1e-300, 1e300, 10**400, "1.0"]),
)  # fmt: skip
VALUES = st.recursive(
    LEAVES, lambda v: st.lists(v, max_size=3) | st.dictionaries(st.text(max_size=2), v, max_size=2)
)


class Still:
    """A stage that never moves."""

    def __init__(self, axes: Any) -> None:
        self.name, self.axes = "stage", {a.name: a for a in axes}

    def identity(self) -> str:
        """Return what it is."""
        return "still"

    def start_move(self, axis: str, target: float) -> None:
        """Do nothing."""

    def status(self, axis: str) -> AxisStatus:
        """Return that it stands at 0."""
        return AxisStatus(0.0, moving=False)

    def stop(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


class Remembered:
    """A bench with a real memory in a file, drifted since."""

    def __init__(self, make_bench: Any, run_model: Any, path: Path) -> None:
        self.seen, self.path = make_bench(1), path
        model = Model()
        model.conclude(run_model(self.seen, model).last)
        self.seen.drift()
        self.bench = Bench(
            "still", {"stage": Still(self.seen.axes)}, {}, clock=VirtualClock(),
            layout=self.seen.nominal, spec=self.seen.spec,
        )  # fmt: skip
        CalibrationFile(self.bench, path).keep(model.calibration)
        self.text = path.read_text()
        self.problem = self.seen.problem(self.seen.start)
        self.model = BenchModel(self.seen.nominal, self.seen.axes)

    @property
    def record(self) -> dict[str, Any]:
        """A fresh copy of what the file holds."""
        return json.loads(self.text)

    def begin(self, text: str) -> tuple[CalibrationFile, Model]:
        """Do all that is done from the file to the first aim."""
        self.path.with_name("m.previous.json").unlink(missing_ok=True)
        self.path.write_text(text, encoding="utf-8")
        kept = CalibrationFile(self.bench, self.path)
        problem = replace(self.problem, calibration=kept.data)
        know = knowledge_of(None, problem)
        know.learn(problem.first.positions, problem.first.profiles)
        through_focus(know, problem.layout, problem.first.positions)
        model = Model()
        proposals = model.propose(problem)
        assert np.all(np.isfinite(next(proposals)))
        proposals.close()
        kept.unused(model)
        return kept, model


@pytest.fixture
def remembered(make_bench: Any, run_model: Any, tmp_path: Path) -> Remembered:
    """A remembered bench."""
    return Remembered(make_bench, run_model, tmp_path / "m.json")


def place_of(data: st.DataObject, record: Any) -> tuple[Any, Any]:
    """Choose a list or mapping inside ``record`` and one of its keys, at any depth."""
    here = record
    while True:
        keys = list(here) if isinstance(here, dict) else range(len(here))
        key = data.draw(st.sampled_from(keys), label="key")
        inner = here[key]
        if not isinstance(inner, dict | list) or not inner or data.draw(st.integers(0, 3)) == 0:
            return here, key
        here = inner


@pytest.mark.slow
@SHARED
@given(data=st.data())
def test_no_change_to_a_memory_stops_an_alignment(remembered: Remembered, data: Any) -> None:
    """Up to three values anywhere replaced, left out or cut: an aim, and a remark if not used."""
    record = remembered.record
    for _ in range(data.draw(st.integers(1, 3))):
        where, key = place_of(data, record)
        if data.draw(st.booleans(), label="left out"):
            del where[key]
        else:
            where[key] = data.draw(VALUES)
        if not record:
            break
    text = json.dumps(record)
    kept, model = remembered.begin(text[: data.draw(st.sampled_from([None, 0, -1, 50]))])
    assert model.knowledge is not None
    if model.knowledge.prior is None:
        assert any("not used" in r for r in kept.remarks)


@pytest.mark.slow
@SHARED
@given(
    key=st.sampled_from(NUMBERS), power=st.floats(-12, 12), sign=st.sampled_from([1, -1]),
    same=st.booleans(), age=LEAVES,
)  # fmt: skip
def test_numbers_of_any_size_give_a_prior_or_a_remark(
    remembered: Remembered, key: str, power: float, sign: int, same: bool, age: Any
) -> None:
    """All of a vector scaled, or all its entries alike: a finite prior, or None with a remark."""
    calibration = {**remembered.record["calibration"], "age_days": age}
    values = np.asarray(calibration[key])
    values = sign * 10**power * (np.ones_like(values) if same else values)
    prior, remark = recall(remembered.model, {**calibration, key: values.tolist()})
    if prior is None:
        assert "not used" in remark
    else:
        assert np.all(np.isfinite(prior[0]))
        assert np.all(np.isfinite(prior[1]))


def _text(calibration: dict[str, Any]) -> None:
    calibration["phi"] = [str(v) for v in calibration["phi"]]


def _truth(calibration: dict[str, Any]) -> None:
    calibration["phi"][0] = True


def _ragged(calibration: dict[str, Any]) -> None:
    calibration["root"][3] = calibration["root"][3][:-1]


def _zero_sigma(calibration: dict[str, Any]) -> None:
    calibration["sigma"][0] = 0.0


def _endless(calibration: dict[str, Any]) -> None:
    calibration["phi"][0] = 10**400


def _huge(calibration: dict[str, Any]) -> None:
    calibration["root"][0][0] = 1e200


def _certain(calibration: dict[str, Any]) -> None:
    calibration["root"] = np.zeros_like(calibration["root"]).tolist()


@pytest.mark.parametrize(
    ("spoil", "why"),
    [(_text, "its phi is not 92 numbers"), (_truth, "its phi is not 92 numbers"),
     (_ragged, "its root is not 92 × 92 numbers"), (_zero_sigma, "its priors are not"),
     (_endless, "its phi is not finite"), (_huge, "it knows less than nothing"),
     (_certain, "it claims to know something exactly")],
)  # fmt: skip
def test_each_kind_of_nonsense_is_named(
    remembered: Remembered, spoil: Callable[[dict[str, Any]], None], why: str
) -> None:
    """Valid JSON with contents that make no sense: said after the date, to whoever asks."""
    record = remembered.record
    spoil(record["calibration"])
    kept, model = remembered.begin(json.dumps(record))
    assert model.knowledge is not None
    assert model.knowledge.prior is None
    assert kept.remarks[0].startswith("calibration of 2026-01-01 in ")
    assert f"not plausible ({why}" in kept.remarks[1]
    assert kept.remarks[1].endswith("not used.")


def test_a_memory_in_order_is_used_without_a_further_remark(remembered: Remembered) -> None:
    """The control of the tests above: untouched, it is the prior."""
    kept, model = remembered.begin(remembered.text)
    assert model.knowledge is not None
    assert model.knowledge.prior is not None
    assert len(kept.remarks) == 1


def added(remembered: Remembered, days: float | None, **priors: float) -> np.ndarray:
    """Standard deviation (m,) by which ageing widens the prior, in units of the priors."""
    calibration = {**remembered.record["calibration"], "age_days": days}
    root = np.asarray(calibration["root"])
    prior, _ = recall(remembered.model, calibration, priors)
    assert prior is not None
    covariance = np.linalg.inv(prior[1].T @ prior[1])
    return np.sqrt(np.maximum(np.diag(covariance - root @ root.T), 0))


def blocks(remembered: Remembered, what: str, thing: str) -> slice:
    """The places of one block of unknowns."""
    return remembered.model.unknowns.block(thing, what).slice


def test_calibration_drifts_by_the_stated_part_of_its_prior(remembered: Remembered) -> None:
    """By DRIFT["drift_calibration"] between two alignments, or by what the bench file says."""
    stated = DRIFT["drift_calibration"]
    names = [b for (t, w), b in remembered.model.unknowns.blocks.items()
             if w == "emission" or t in remembered.model.planes]  # fmt: skip
    assert len(names) >= 3
    usual, wider = added(remembered, None), added(remembered, None, drift_calibration=3 * stated)
    for block in names:
        assert usual[block.slice] == pytest.approx(stated, rel=1e-4)
        assert wider[block.slice] == pytest.approx(3 * stated, rel=1e-4)


def test_what_drifts_grows_with_the_square_root_of_time(remembered: Remembered) -> None:
    """A random walk: twice as wide at 120 days as at 30, and no narrower than that before."""
    month, later = added(remembered, LASTING), added(remembered, 4 * LASTING)
    mirror = blocks(remembered, "rigid", "mirror")
    assert added(remembered, 1.0)[mirror] == pytest.approx(month[mirror])
    assert month[mirror] == pytest.approx([DRIFT["drift_turn"] / 4e-3] * 3
                                          + [DRIFT["drift_shift"] / 0.4] * 3, rel=1e-3)  # fmt: skip
    assert later[mirror] == pytest.approx(math.sqrt(120 / 30) * month[mirror], rel=1e-3)
    for plane in remembered.model.planes:
        place = blocks(remembered, "rigid", plane)
        assert later[place] == pytest.approx(2 * month[place], rel=1e-3)
