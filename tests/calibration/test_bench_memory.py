"""A bench's memory in its file: whose it is, how old, and what becomes of one that is no use."""

from __future__ import annotations

import json
from dataclasses import replace
from pathlib import Path
from types import SimpleNamespace

import pytest

from autoalign.bench import Bench
from autoalign.config import example
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.core.interfaces import AxisStatus
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.run.calibration_file import CalibrationFile, calibration_path


class Still:
    """A stage that never moves."""

    def __init__(self, serial: str = "1", upper: float = 5.0) -> None:
        self.name = "stage"
        self.axes = {"part.x": Axis("part.x", "mm", -5.0, upper)}
        self.serial = serial

    def identity(self) -> str:
        """Return what it is."""
        return f"still stage {self.serial}"

    def start_move(self, axis: str, target: float) -> None:
        """Do nothing."""

    def status(self, axis: str) -> AxisStatus:
        """Return that it stands at 0."""
        return AxisStatus(0.0, moving=False)

    def stop(self) -> None:
        """Do nothing."""

    def close(self) -> None:
        """Do nothing."""


def bench(**traits: object) -> Bench:
    """A bench with one axis."""
    return Bench("still", {"stage": Still(**traits)}, {}, clock=VirtualClock())


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """Where the memory is kept."""
    return tmp_path / "bench.calibration.json"


def test_what_was_kept_comes_back_with_its_age(path):
    """Data survive the file, dated by the bench's own clock."""
    own = bench()
    CalibrationFile(own, path).keep({"a": [1.0, 2.5]})
    own.clock.sleep(3 * 86400.0)
    found = CalibrationFile(own, path)
    assert found.data == {"a": [1.0, 2.5], "age_days": 3.0}
    assert found.remarks == [f"calibration of 2026-01-01 in {path}, 3 days old"]


def test_fresh_ignores_the_file_but_goes_on_keeping(path):
    """With ``fresh`` nothing is recalled, and what is learnt replaces the file."""
    CalibrationFile(bench(), path).keep({"a": 1})
    fresh = CalibrationFile(bench(), path, fresh=True)
    assert fresh.data is None
    fresh.keep({"a": 2})
    assert CalibrationFile(bench(), path).data["a"] == 2


def test_the_generation_before_is_kept_and_serves_if_the_last_is_damaged(path):
    """After two saves the first is still there, and is used where the second is damaged."""
    memory = CalibrationFile(bench(), path)
    memory.keep({"a": 1})
    memory.keep({"a": 2})
    path.write_text(path.read_text()[:50])
    found = CalibrationFile(bench(), path)
    assert found.data["a"] == 1
    assert (
        "it is damaged; not used, set aside as bench.calibration.json.set-aside" in found.remarks[0]
    )
    assert not path.exists()


@pytest.mark.parametrize(
    ("content", "why"),
    [
        ("", "it is damaged"),
        ("[1, 2", "it is damaged"),
        ("[1, 2]", "it is not the calibration of a bench"),
        ('{"format": "something else"}', "it is not the calibration of a bench"),
        ('{"format": "autoalign bench calibration", "version": 7}', "it has version 7"),
        ('{"format": "autoalign bench calibration", "version": 1}', "parts of it are missing"),
        (
            '{"format": "autoalign bench calibration", "version": 1, "saved": "then", "memory": 1,'
            ' "bench": {"axes": {}, "stages": {}, "layout": ""}}',
            "its date cannot be read",
        ),
        (
            '{"format": "autoalign bench calibration", "version": 1, "saved": 20260101,'
            ' "calibration": {}, "bench": {"axes": {}, "stages": {}, "layout": ""}}',
            "its date cannot be read",
        ),
        (
            '{"format": "autoalign bench calibration", "version": 1, "saved": "2026-01-01",'
            ' "memory": 120, "bench": {"axes": {}, "stages": {}, "layout": ""}}',
            "there is no calibration in it",
        ),
        pytest.param("[" * 200_000 + "]" * 200_000, "it is damaged", id="deep"),
    ],
)
def test_what_is_no_memory_is_set_aside_and_never_stops_anything(path, content, why):
    """Every kind of wrong file is moved away under a free name, with the reason."""
    taken = path.with_name(path.name + ".set-aside")
    taken.write_text("an earlier one")
    path.write_text(content)
    found = CalibrationFile(bench(), path)
    assert found.data is None
    assert why in found.remarks[0]
    assert path.with_name(path.name + ".set-aside-2").read_text() == content
    assert taken.read_text() == "an earlier one"
    found.keep({"a": 1})
    assert CalibrationFile(bench(), path).data["a"] == 1


@pytest.mark.parametrize(
    ("other", "why"),
    [({"serial": "2"}, "its stage stage said"), ({"upper": 6.0}, "its axes or their limits")],
)
def test_the_memory_of_another_bench_is_refused_and_left_alone(path, other, why):
    """Another controller or other limits: not used, and never overwritten."""
    CalibrationFile(bench(), path).keep({"a": 1})
    before = path.read_bytes()
    found = CalibrationFile(bench(**other), path)
    assert found.data is None
    assert why in found.remarks[0]
    found.keep({"a": 2})
    assert "nothing was saved there" in found.remarks[-1]
    assert path.read_bytes() == before


def test_where_the_file_is_another_bench_s_an_older_one_is_not_taken_instead(path):
    """Two benches have used one place: neither memory is to be trusted, and both are kept."""
    CalibrationFile(bench(), path).keep({"a": 1})
    older = CalibrationFile(bench(), path).previous
    path.rename(older)
    elsewhere = path.with_name("elsewhere.json")
    CalibrationFile(bench(serial="2"), elsewhere).keep({"a": 2})
    elsewhere.rename(path)
    before = path.read_bytes(), older.read_bytes()
    found = CalibrationFile(bench(), path)
    assert found.data is None
    found.keep({"a": 3})
    assert (path.read_bytes(), older.read_bytes()) == before


def test_a_stage_that_fails_to_say_what_it_is_costs_no_run(path):
    """A third party's stage may raise anything; what was learnt is kept all the same."""
    own = bench()

    def broken():
        raise RuntimeError("not implemented")

    own.stages["stage"].identity = broken
    CalibrationFile(own, path).keep({"a": 1})
    assert CalibrationFile(own, path).data["a"] == 1


def test_the_memory_of_another_layout_is_refused(path):
    """The same motors around another mirror are another bench."""
    first, second = bench(), bench()
    for own, rho in ((first, 150.0), (second, 200.0)):
        own.layout = collimator_layout(OffAxisParaboloid(rho, 35.0, 30.0), 0.1, 0.12, 660e-6)
    CalibrationFile(first, path).keep({"a": 1})
    found = CalibrationFile(second, path)
    assert found.data is None
    assert "its layout is another one" in found.remarks[0]


def test_another_name_is_the_same_bench(path):
    """Renaming a bench costs it no memory."""
    own = bench()
    CalibrationFile(own, path).keep({"a": 1})
    assert CalibrationFile(replace(own, name="renamed"), path).data["a"] == 1


def test_a_date_in_the_future_has_no_age(path):
    """A clock that was set back makes the age unknown, not negative."""
    own = bench()
    own.clock.sleep(86400.0)
    CalibrationFile(own, path).keep({"a": 1})
    found = CalibrationFile(bench(), path)
    assert found.data == {"a": 1, "age_days": None}
    assert "is the clock right?" in found.remarks[0]


def test_what_cannot_be_saved_is_said_and_the_old_file_stays(path):
    """A number that JSON cannot hold leaves the file as it was."""
    memory = CalibrationFile(bench(), path)
    memory.keep({"a": 1})
    before = path.read_bytes()
    memory.keep({"a": float("nan")})
    assert "not saved" in memory.remarks[-1]
    assert path.read_bytes() == before


def test_data_in_place_of_a_file_stay_in_this_process():
    """Without a path nothing is read or written."""
    memory = CalibrationFile(bench(), {"a": 1})
    memory.keep(None)
    assert memory.data == {"a": 1}
    memory.keep({"a": 2})
    assert memory.data == {"a": 2}
    assert memory.previous is None


def test_the_memory_stands_beside_the_bench_file_but_not_inside_the_program(tmp_path):
    """bench.toml has bench.calibration.json; a packaged example has none unless one is named."""
    assert calibration_path(tmp_path / "arm.toml") == tmp_path / "arm.calibration.json"
    assert calibration_path(example("demo")) is None


def test_files_say_what_they_are(path):
    """Format, version, date and bench are in clear text."""
    CalibrationFile(bench(), path).keep({"a": 1})
    record = json.loads(path.read_text())
    assert record["format"] == "autoalign bench calibration"
    assert record["version"] == 1
    assert record["saved"] == "2026-01-01T00:00:00+00:00"
    assert record["bench"]["axes"] == {"part.x": ["mm", -5.0, 5.0]}


def test_what_is_no_memory_of_a_bench_is_not_kept(path):
    """A strategy's setting that happens to be called memory replaces nothing."""
    memory = CalibrationFile(bench(), path)
    memory.keep({"a": 1})
    memory.keep(120)
    assert CalibrationFile(bench(), path).data["a"] == 1


def test_a_memory_that_was_not_used_is_said_to_be_so(path):
    """With the strategy's own words, or its name where it uses none; once only."""
    CalibrationFile(bench(), path).keep({"a": 1})
    refusing = SimpleNamespace(name="x", remembers=True, calibration_refused="it is odd; not used")
    without = SimpleNamespace(name="x", remembers=False, calibration_refused="")
    content = SimpleNamespace(name="x", remembers=True, calibration_refused="")
    for strategy, said in (
        (refusing, f"calibration {path}: it is odd; not used."),
        (without, f"calibration {path}: strategy x does not use one."),
        (content, ""),
    ):
        found = CalibrationFile(bench(), path)
        assert found.unused(strategy) == said
        assert found.remarks[1:] == [said] * bool(said)
        assert found.unused(strategy) == ""
    assert CalibrationFile(bench()).unused(refusing) == ""
