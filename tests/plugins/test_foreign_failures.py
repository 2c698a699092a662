"""Whatever a driver or plug-in raises is an error of this library that names it; exit code 3."""

from __future__ import annotations

import contextlib
import json
from collections.abc import Callable, Iterator
from pathlib import Path
from typing import Any

import pytest

from autoalign.cli import app, main
from autoalign.cli.exits import Exit, exit_of
from autoalign.core.axes import Axis
from autoalign.core.errors import (
    DetectorError,
    LinkError,
    LinkTimeoutError,
    MotionFaultError,
    PluginError,
)
from autoalign.core.foreign import GuardedDetector, GuardedStage, foreign
from autoalign.core.interfaces import AxisStatus, Detector, Stage
from autoalign.plugins import catalogue, plugin
from autoalign.run.hooks import hookimpl
from autoalign.run.observers import Observers

AXIS = Axis("source.x", "mm", -5.0, 5.0)
STAGE_CALLS: dict[str, Callable[[Any], object]] = {
    "identity": lambda s: s.identity(),
    "start_move": lambda s: s.start_move("source.x", 1.0),
    "status": lambda s: s.status("source.x"),
    "stop": lambda s: s.stop(),
    "close": lambda s: s.close(),
}
WORSE = (SystemExit(7), ValueError("odd"), AssertionError(), ZeroDivisionError("bug"))


class Raising:
    """A stage and a detector, each call of which raises what it is given."""

    name, plane = "a", "far"
    axes = {"source.x": AXIS}  # noqa: RUF012 - never changed

    def __init__(self, error: BaseException) -> None:
        self.error = error

    def fail(self, *_: object) -> Any:
        """Raise."""
        raise self.error

    identity = start_move = status = stop = close = acquire = fail


class UnspeakableError(Exception):
    """An exception that cannot even be put into words."""

    def __str__(self) -> str:
        raise ValueError("no words")


@pytest.mark.parametrize("call", STAGE_CALLS)
@pytest.mark.parametrize("error", WORSE, ids=repr)
def test_whatever_a_stage_raises_names_stage_and_driver(call: str, error: BaseException) -> None:
    """SystemExit of a driver ends no program; every call of the protocol is covered."""
    stage = GuardedStage(Raising(error), "odd-driver")
    with pytest.raises(PluginError, match=r"stage 'a' \(driver 'odd-driver'\)") as caught:
        STAGE_CALLS[call](stage)
    assert type(error).__name__ in str(caught.value)
    assert caught.value.__cause__ is error
    assert exit_of(caught.value) == 3


@pytest.mark.parametrize(
    ("error", "on_stage", "on_detector"),
    [
        (TimeoutError("late"), LinkTimeoutError, DetectorError),
        (ConnectionResetError("gone"), LinkError, LinkError),
        (OSError(5, "input/output error"), LinkError, LinkError),
        (MotionFaultError("alarm"), MotionFaultError, MotionFaultError),
        (UnspeakableError(), PluginError, PluginError),
    ],
)
def test_a_failure_of_hardware_is_the_hardware_error_that_it_is(
    error: Exception, on_stage: type[Exception], on_detector: type[Exception]
) -> None:
    """Links and time-outs keep their families, errors of our own tree pass as they are."""
    with pytest.raises(on_stage) as stage:
        GuardedStage(Raising(error), "d").status("source.x")
    with pytest.raises(on_detector) as detector:
        GuardedDetector(Raising(error), "d").acquire(1, 0.0, 1.0)
    assert type(stage.value) is on_stage
    assert type(detector.value) is on_detector


@pytest.mark.parametrize("error", [KeyboardInterrupt(), GeneratorExit(), MemoryError()], ids=repr)
def test_what_is_nobodys_fault_passes_unchanged(error: BaseException) -> None:
    """Ctrl-C, a closed generator and full memory are not blamed on a plug-in."""
    with pytest.raises(type(error)) as caught, foreign("someone"):
        raise error
    assert caught.value is error


def test_a_guarded_device_is_still_what_it_was() -> None:
    """It fits the protocol, and what it has beyond that is reached through it."""
    device = Raising(ValueError())
    assert isinstance(GuardedStage(device, "d"), Stage)
    assert isinstance(GuardedDetector(device, "d"), Detector)
    assert GuardedStage(device, "d").plane == "far"


def _offer(site: Path, module: str, text: str, entry_points: str) -> None:
    (site / f"{module}.py").write_text(text)
    metadata = site / f"{module}-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text(f"Metadata-Version: 2.1\nName: {module}\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(entry_points)


LEAVING = """\
import sys
class Leaving:
    name, needs, note = "leaving", frozenset(), ""
def term(plane, tolerance, weight=1.0):
    sys.exit("no licence")
"""


def test_a_plugin_that_ends_the_program_is_listed_and_the_rest_with_it(
    site: Path, capsys: pytest.CaptureFixture[str]
) -> None:
    """``sys.exit`` while a module is loaded: ``autoalign plugins`` lists everything even so."""
    _offer(site, "quitting", "import sys\nsys.exit('no licence')\n",
           "[autoalign.terms]\nquitting = quitting:TERM\n")  # fmt: skip
    assert main(["plugins", "terms", "--json"]) == 0
    said = {info["name"]: info["problem"] for info in json.loads(capsys.readouterr().out)}
    assert "SystemExit: no licence" in said["quitting"]
    assert not said["pointing"]
    with pytest.raises(PluginError, match="merit term 'quitting'"):
        plugin("terms", "quitting")


def test_a_factory_that_ends_the_program_is_named(site: Path) -> None:
    """A merit term is made by a plug-in's callable; it keeps its signature and loses its exit."""
    _offer(site, "leaving", LEAVING, "[autoalign.terms]\nleaving = leaving:term\n")
    assert not next(i for i in catalogue("terms") if i.name == "leaving").broken
    with pytest.raises(PluginError, match="merit term 'leaving' failed: SystemExit: no licence"):
        plugin("terms", "leaving")("far", 0.1)


def test_an_observer_that_ends_the_program_is_noted() -> None:
    """SystemExit in a hook is written down like any other failure of an observer."""

    class Quitting:
        @hookimpl
        def autoalign_start_run(self) -> None:
            raise SystemExit(4)

    observers = Observers(load=False)
    observers.register(Quitting(), "quitting")
    observers.tell("start_run", bench=None, strategy="model", seed=1)
    assert observers.failures == ["observer 'quitting' at start_run failed: SystemExit: 4"]


@contextlib.contextmanager
def _command_raises(error: BaseException, monkeypatch: pytest.MonkeyPatch) -> Iterator[None]:
    def build() -> Callable[[list[str]], int]:
        def command(arguments: list[str]) -> int:
            raise error

        return command

    monkeypatch.setattr(app, "build_app", build)
    yield


@pytest.mark.parametrize("error", [KeyError("lost"), SystemExit(0), MemoryError()], ids=repr)
def test_a_defect_of_our_own_is_not_called_out_of_spec(
    error: BaseException,
    monkeypatch: pytest.MonkeyPatch,
    capsys: pytest.CaptureFixture[str],
    tmp_path: Path,
) -> None:
    """Exit code 5, one sentence, and the traceback in the file that it names."""
    monkeypatch.setattr("tempfile.tempdir", str(tmp_path))
    with _command_raises(error, monkeypatch):
        assert main(["align", "--json"]) == Exit.DEFECT == 5
    printed = capsys.readouterr()
    (trace,) = tmp_path.glob("autoalign-defect-*.txt")
    assert str(trace) in "".join(printed.err.split("\n"))
    assert "a defect of the program" in printed.err
    assert "Traceback" not in printed.err
    assert type(error).__name__ in trace.read_text(encoding="utf-8")
    assert json.loads(printed.out)["error"]["exit_code"] == 5


def test_a_plugin_fault_ends_a_command_with_its_own_code(
    monkeypatch: pytest.MonkeyPatch, capsys: pytest.CaptureFixture[str]
) -> None:
    """Neither "not in spec" nor "usage"."""
    with _command_raises(PluginError("stage 'a' failed"), monkeypatch):
        assert main(["align"]) == 3
    assert "stage 'a' failed" in capsys.readouterr().err


def test_help_and_readme_give_the_same_exit_codes() -> None:
    """Every code of :class:`Exit` is in both, with the same words."""
    root = Path(__file__).parents[2]
    shown = " ".join(app.EPILOGUE.replace("\\\n", "").split())
    codes = shown.partition("Exit codes: ")[2].partition(".")[0].replace(" · ", ", ")
    assert {int(part.split()[0]) for part in codes.split(", ")} == {int(code) for code in Exit}
    assert codes in (root / "README.md").read_text(encoding="utf-8")
    assert codes in (root / "DEVELOPERS.md").read_text(encoding="utf-8")


def test_a_status_passes_a_guard_untouched() -> None:
    """What a sound stage says is what the caller hears."""

    class Sound(Raising):
        def status(self, axis: str) -> AxisStatus:
            return AxisStatus(1.5, moving=False)

    stage = GuardedStage(Sound(ValueError()), "d")
    assert stage.status("source.x") == AxisStatus(1.5, moving=False)
    assert stage.axes == {"source.x": AXIS}
