"""One beam, one verdict: whichever command measures it."""

from __future__ import annotations

import ast
from collections.abc import Callable
from pathlib import Path

import numpy as np
import pytest
from autoalign_simulators import benches

import autoalign
from autoalign import Bench, Finding, Severity, Spec, align, check_bench, measure_bench
from autoalign.adapters import FunctionDetector
from autoalign.core.errors import HeldError
from autoalign.core.frames import Frame
from autoalign.run.guard import MoveGuard
from autoalign.run.observers import Observers
from autoalign.session import Budget
from autoalign.spec.acceptance import Verdict, is_in_spec
from autoalign.strategies.without_model import WithoutModel
from autoalign.watch.service import Watch

PACKAGE = Path(autoalign.__file__).parent


def with_frames(bench: Bench, pixels: Callable[[str], np.ndarray]) -> Bench:
    """Return the bench with cameras that show made-up pictures, whatever the axes do."""
    clock = bench.clock

    def camera(plane: str) -> FunctionDetector:
        def grab() -> Frame:
            now = clock.now()
            return Frame(pixels(plane), pitch=0.1, plane=plane, started=now, ended=now)

        return FunctionDetector(plane, plane, grab, clock=clock)

    cameras = {plane: camera(plane) for plane in bench.distances}
    return Bench(
        bench.name, bench.stages, cameras, spec=bench.spec, layout=bench.layout, clock=clock,
        uncertainties=bench.uncertainties,
    )  # fmt: skip


def round_beam(plane: str, width: float = 24.0, ghost: float = 0.0) -> np.ndarray:
    """Return a round beam in the middle, with noise and, if wanted, a second spot."""
    rng = np.random.default_rng({"near": 1, "far": 2}[plane])
    y, x = np.mgrid[:400, :400] - 199.5
    sigma = width / 4 / 0.1
    light = 800 * np.exp(-(x**2 + y**2) / (2 * sigma**2))
    light += 800 * ghost * np.exp(-((x - 130) ** 2 + (y - 130) ** 2) / (2 * 8.0**2))
    return np.round(rng.normal(light + 50, 2.0)).astype(np.uint16)


@pytest.fixture
def bench() -> Bench:
    """A collimator whose spec every round beam of constant width meets."""
    made = benches.collimator(seed=3)
    made.spec = Spec.collimation(0.02, 0.02, 0.3)
    return made


def verdicts(bench: Bench, folder: Path) -> dict[str, bool]:
    """Return what each way of measuring says of the bench where it is."""
    told: list[bool] = []
    watch = Watch(bench, WithoutModel, folder / "watch")
    watch.run(measurements=1)
    told.append(watch.summary.in_spec == 1)
    aligned = align(bench, budget=Budget(2), guard=held(bench))
    return {
        "measure_bench": measure_bench(bench).in_spec,
        "align": aligned.in_spec,
        "watch": told[0],
        "check_bench": check_bench(bench, axes=["source.x"]).measurement.in_spec,
    }


def held(bench: Bench) -> MoveGuard:
    """Return a guard that lets nothing move."""
    guard = MoveGuard(bench.axes)
    guard.hold("for this test")
    return guard


@pytest.mark.slow
@pytest.mark.parametrize(
    ("what", "focus", "ghost", "in_spec"),
    [
        ("a beam as the layout has it", False, 0.0, True),
        ("one that the model says goes through a focus", True, 0.0, False),
        ("a beam with a ghost, less certain than it would be", False, 0.3, True),
    ],
)
def test_every_command_says_the_same_of_one_beam(
    bench: Bench,
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
    what: str,
    focus: bool,
    ghost: float,
    in_spec: bool,
) -> None:
    """measure_bench, align, watch and check_bench ask one gate.

    What the model says of the focus is made up here (it is tested in the room of the diagnosis).
    """
    veto = Finding("through-focus", "near, far", severity=Severity.VETO) if focus else None
    monkeypatch.setattr("autoalign.session.evaluate.through_focus", lambda *_: veto)
    shown = with_frames(bench, lambda plane: round_beam(plane, 24.7, ghost))
    said = verdicts(shown, tmp_path)
    assert len(set(said.values())) == 1, (what, said)
    assert said["measure_bench"] is in_spec


def test_a_veto_keeps_a_verdict_from_being_in_spec() -> None:
    """A note does not, a veto does; and nothing but the terms and the vetoes counts."""
    good = Verdict((), np.zeros(0), 0.0)
    assert good.in_spec
    assert good.with_findings(Finding("a:note", severity=Severity.NOTE)).in_spec
    assert not good.with_findings(Finding("a:veto", severity=Severity.VETO)).in_spec


def deciders(source: str) -> list[str]:
    """Return functions that make "in spec" out of terms by themselves."""
    found = []
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.FunctionDef):
            for call in ast.walk(node):
                gathers = isinstance(call, ast.Call) and getattr(call.func, "id", "") == "all"
                if gathers and "in_spec" in {
                    n.attr for n in ast.walk(call) if isinstance(n, ast.Attribute)
                }:
                    found.append(node.name)
    return found


def test_in_spec_is_decided_in_one_function() -> None:
    """No other function of the library gathers terms into a verdict; one that did is noticed."""
    planted = "def decide(v):\n    return all(t.in_spec for t in v.terms)\n"
    assert deciders(planted) == ["decide"]
    places = {
        f"{path.relative_to(PACKAGE)}:{name}"
        for path in PACKAGE.rglob("*.py")
        for name in deciders(path.read_text(encoding="utf-8"))
    }
    assert places == {f"spec/acceptance.py:{is_in_spec.__name__}"}


def callers(source: str) -> list[int]:
    """Return the lines in which a runner or a conductor is set to work."""
    return [
        node.lineno
        for node in ast.walk(ast.parse(source))
        if isinstance(node, ast.Call) and getattr(node.func, "id", "") in ("run", "Conductor")
    ]


def test_a_run_is_composed_in_one_place() -> None:
    """Only the composer and the two carriers set a conductor to work; campaigns are listed."""
    assert callers("finish = run(bench, session)") == [1]  # a planted one is seen
    places = {
        str(path.relative_to(PACKAGE))
        for path in PACKAGE.rglob("*.py")
        if callers(path.read_text(encoding="utf-8"))
    }
    carriers = {"run/compose.py", "run/blocking.py", "run/aio.py"}
    assert places - carriers <= {
        "benchmark/campaign.py",  # times a strategy; observers of a lab are none of its business
        "benchmark/model_speed.py",  # likewise
    }


class Follower:
    """Follows every event, and may veto."""

    def __init__(self, veto: str = "") -> None:
        self.heard: list[str] = []
        self.why = veto

    @autoalign.hookimpl
    def autoalign_start_run(self, strategy: str) -> None:
        """Note it."""
        self.heard.append(f"start {strategy}")

    @autoalign.hookimpl
    def autoalign_veto_move(self, targets: dict[str, float]) -> str:
        """Say why not."""
        self.heard.append("asked")
        return self.why

    @autoalign.hookimpl
    def autoalign_make_move(self) -> None:
        """Note it."""
        self.heard.append("move")

    @autoalign.hookimpl
    def autoalign_end_run(self) -> None:
        """Note it."""
        self.heard.append("end")


@pytest.fixture
def follower(monkeypatch: pytest.MonkeyPatch) -> Callable[..., Follower]:
    """Install one follower on every run that is composed from now on."""

    def install(veto: str = "") -> Follower:
        one = Follower(veto)
        plain = Observers.__init__

        def with_follower(self: Observers, load: bool = True) -> None:
            plain(self, load)
            self.register(one, "follower")

        monkeypatch.setattr(Observers, "__init__", with_follower)
        return one

    return install


@pytest.mark.slow
@pytest.mark.parametrize("command", ["align", "watch", "check"])
def test_observers_hear_every_command_and_may_veto_before_a_move(
    command: str, follower: Callable[..., Follower], tmp_path: Path
) -> None:
    """Whatever moves the bench: asked before the move, told of its start and its end."""
    follow = follower("the cover is open")
    bench = benches.steering(seed=5)
    start = bench.positions()
    if command == "align":
        result = align(bench, budget=Budget(5))
        assert "the cover is open" in result.reason
    elif command == "check":
        assert "the cover is open" in check_bench(bench).reason
    else:
        watch = Watch(bench, WithoutModel, tmp_path)
        watch.run(measurements=3)
    assert bench.positions() == start
    assert "asked" in follow.heard
    assert "move" not in follow.heard
    assert follow.heard[0].startswith("start ")
    assert follow.heard[-1] == "end"


def test_an_observer_that_fails_when_asked_is_no_consent(bench: Bench) -> None:
    """It vetoes, by name, and the run is refused, not broken."""

    class Broken:
        @autoalign.hookimpl
        def autoalign_veto_move(self) -> str:
            raise RuntimeError("interlock not readable")

    observers = Observers(load=False)
    observers.register(Broken(), "interlock")
    move = type("Move", (), {"targets": {}, "reason": ""})()
    assert "interlock not readable" in observers.veto(bench, move)
    assert issubclass(HeldError, autoalign.AlignError)
