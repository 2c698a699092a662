"""Drivers of one's own, named by where they are, and tables that are like another."""

from __future__ import annotations

from pathlib import Path
from typing import Any

import pytest

from autoalign.config import bench_schema, read_bench_file
from autoalign.core.errors import BenchFileError, PluginError

BENCH = """\
[bench]
name = "own"

[planes]
near = "0.4 m"

[stages.mount]
driver = "{stage}"
{keys}
[stages.mount.axes."source.x"]
travel = ["-2 mm", "2 mm"]
{axis}
[detectors.near]
driver = "{detector}"
plane = "near"
"""

SCRIPT = '''\
"""A lab's own control script."""

import numpy as np

from autoalign.adapters import AxisFunctions, FunctionDetector
from pydantic import BaseModel

AT = [0.0]


def stage(name, axes, gain=1.0):
    return [AxisFunctions(axes[0], lambda x: AT.__setitem__(0, gain * x), lambda: AT[0] / gain)]


def camera(name, plane, clock):
    return FunctionDetector(name, plane, lambda: np.ones((4, 4)), pitch=0.01, clock=clock)


def follower(name, plane, clock):
    return FunctionDetector(name, plane, lambda: np.full((4, 4), AT[0]), pitch=0.01, clock=clock)


def nothing(name, axes):
    return None


def exits(name, axes):
    raise SystemExit(3)


class Settings(BaseModel, extra="forbid"):
    port: str


class Driver:
    settings = Settings

    def build(self, name, plane, settings, clock):
        return camera(name, plane, clock)


NUMBER = 3
'''


@pytest.fixture
def bench(tmp_path: Path) -> Any:
    """Return a maker of bench files beside a script of the lab."""
    (tmp_path / "mine.py").write_text(SCRIPT)
    path = tmp_path / "bench.toml"

    def make(
        stage: str = "mine.py:stage",
        detector: str = "mine.py:camera",
        keys: str = "",
        axis: str = "",
    ) -> Path:
        path.write_text(BENCH.format(stage=stage, detector=detector, keys=keys, axis=axis))
        return path

    return make


def test_functions_of_a_script_are_stage_and_camera(bench: Any) -> None:
    """Two functions beside the bench file are enough; further keys are their arguments."""
    with read_bench_file(bench(keys="gain = 2.0")).open() as opened:
        stage = opened.stages["mount"]
        stage.start_move("source.x", 1.5)
        while stage.status("source.x").moving:
            pass
        assert stage.status("source.x").position == 1.5
        now = opened.clock.now()
        (frame,) = opened.detectors["near"].acquire(1, now, now + 10)
        assert frame.plane == "near"


def test_a_stage_and_a_camera_of_one_script_share_what_it_opened(bench: Any) -> None:
    """The file runs once: what its stage has moved is what its camera sees."""
    with read_bench_file(bench(detector="mine.py:follower")).open() as opened:
        stage = opened.stages["mount"]
        stage.start_move("source.x", 1.5)
        while stage.status("source.x").moving:
            pass
        now = opened.clock.now()
        (frame,) = opened.detectors["near"].acquire(1, now, now + 10)
        assert float(frame.pixels.max()) == 1.5


def test_a_driver_class_with_settings_of_its_own(bench: Any) -> None:
    """A class with settings and build is a driver as one from a package is."""
    path = bench(detector="mine.py:Driver")
    with pytest.raises(BenchFileError, match=r"detectors.near.port: this key is missing"):
        read_bench_file(path)
    path.write_text(path.read_text() + 'port = "A"\n')
    assert read_bench_file(path).fitted.detectors["near"][1].port == "A"


@pytest.mark.parametrize(
    ("given", "words"),
    [
        (
            {"stage": "yours.py:stage"},
            r"line 8, stages.mount.driver: .*there is no file .*yours.py",
        ),
        ({"stage": "no_such_module_here:stage"}, "there is no module 'no_such_module_here'"),
        ({"stage": "mine.py:stag"}, "there is no 'stag' in mine.py"),
        ({"stage": "mine.py:NUMBER"}, "is no driver; give one with 'settings' and 'build', or a"),
        ({"keys": 'port = "x"'}, "cannot be called with these keys: .*'port'"),
        ({"axis": "channel = 1"}, 'axes."source.x".channel'),
    ],
)
def test_mistakes_are_those_of_the_file(bench: Any, given: dict[str, str], words: str) -> None:
    """A wrong place, a wrong name and wrong keys are told with their line."""
    with pytest.raises(BenchFileError, match=words):
        read_bench_file(bench(**given))


def test_a_script_that_breaks_is_named(bench: Any, tmp_path: Path) -> None:
    """What the script raises, SystemExit too, is an error that names it."""
    with pytest.raises(PluginError, match=r"nothing returned NoneType, no stage"):
        read_bench_file(bench(stage="mine.py:nothing")).open()
    with pytest.raises(PluginError, match=r"its driver 'mine.py:exits' failed: SystemExit"):
        read_bench_file(bench(stage="mine.py:exits")).open()
    (tmp_path / "broken.py").write_text("import sys; sys.exit(1)")
    with pytest.raises(PluginError, match=r"driver 'broken.py:x' failed: SystemExit"):
        read_bench_file(bench(stage="broken.py:x"))


LIKE = """\
[bench]
name = "like"

[planes]
near = "0.4 m"

[stages.one]
driver = "line-ascii"
port = "/dev/one"
identity = { send = "who", reply = "box 1" }
move = { send = "go {axis} {counts}", reply = "ok" }
position = { send = "at {axis}", reply = "(?P<counts>[+-][0-9]{8})" }
state = { send = "is {axis}", reply = "(?P<state>[a-z]+)" }
stop = { send = "halt" }
resting = ["rest"]
moving = ["move"]

[stages.one.axes."source.x"]
travel = ["-2 mm", "2 mm"]
channel = "1"
unit = "um"
per_count = 0.1

[stages.two]
like = "LIKE"
port = "/dev/two"
identity = { send = "who", reply = "box 2" }

[stages.two.axes."source.y"]
travel = ["-2 mm", "2 mm"]
channel = "1"
unit = "um"
per_count = 0.1

[detectors.near]
driver = "image-folder"
plane = "near"
folder = "."
pitch = "5 um"
"""


def test_a_stage_like_another_gives_only_what_differs(tmp_path: Path) -> None:
    """Two like boxes needed the whole table twice once."""
    path = tmp_path / "bench.toml"
    path.write_text(LIKE.replace("LIKE", "one"))
    fitted = read_bench_file(path).fitted.stages
    one, two = fitted["one"][1], fitted["two"][1]
    assert two.port == "/dev/two"
    assert two.identity.reply == "box 2"
    assert (two.position, two.stop, two.moving) == (one.position, one.stop, one.moving)
    assert list(two.axes) == ["source.y"]


@pytest.mark.parametrize("name", ["two", "tree"])
def test_like_what_is_not_there(tmp_path: Path, name: str) -> None:
    """A name that is none, and a table like itself, are refused with the line."""
    path = tmp_path / "bench.toml"
    path.write_text(LIKE.replace("LIKE", name))
    with pytest.raises(BenchFileError, match=rf"line 25, stages.two.like: .*'{name}'.*one"):
        read_bench_file(path)


def test_two_that_are_like_each_other_end(tmp_path: Path) -> None:
    """A circle is a mistake, not an endless one."""
    path = tmp_path / "bench.toml"
    text = LIKE.replace("LIKE", "one").replace("[stages.one]\n", '[stages.one]\nlike = "two"\n')
    path.write_text(text)
    with pytest.raises(BenchFileError, match=r"stages\.(one|two)\.like: "):
        read_bench_file(path)


def test_the_schema_knows_like() -> None:
    """An editor asks for a driver, or for what a table is like."""
    table = bench_schema()["$defs"]["StageTable"]
    assert table["anyOf"] == [{"required": ["driver"]}, {"required": ["like"]}]
    assert "driver" not in table["required"]
