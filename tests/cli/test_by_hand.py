"""Commands for a person at the bench: where, move, home, stop, talk."""

from __future__ import annotations

import io
import json
import sys
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from autoalign_drivers.ports import PortLock

from autoalign.journal import read_journal

SCRIPT = '''\
"""A lab's own axis and a camera that is unplugged."""

from pathlib import Path

from autoalign.adapters import AxisFunctions

PLACE = Path(__file__).with_name("place.txt")


def stage(name, axes):
    def put(x):
        PLACE.write_text(repr(x))

    return [AxisFunctions(axes[0], put, lambda: float(PLACE.read_text()))]


def camera(name, plane):
    raise OSError("unplugged")
'''
OWN = """\
[bench]
name = "own"

[planes]
near = "0.4 m"

[stages.mount]
driver = "mine.py:stage"

[stages.mount.axes."source.x"]
travel = ["-2 mm", "2 mm"]
backlash = "10 um"
resolution = "1 um"
{more}
[detectors.near]
driver = "mine.py:camera"
plane = "near"
"""


@pytest.fixture
def own_bench(tmp_path: Path) -> Path:
    """Return a real bench of one axis, whose place outlives the program, and a broken camera."""
    (tmp_path / "mine.py").write_text(SCRIPT)
    (tmp_path / "place.txt").write_text("0.5")
    path = tmp_path / "bench.toml"
    path.write_text(OWN.format(more=""))
    return path


def place(bench: Path) -> float:
    """Return where the axis is."""
    return float(bench.with_name("place.txt").read_text())


@pytest.fixture
def move(run: Callable[..., Any], tmp_path: Path) -> Callable[..., Any]:
    """Move by hand, with the precautions taken, and the journals beside the bench."""

    def carry_out(bench: Path, *words: str) -> Any:
        return run("move", bench, *words, "--yes", "--output", tmp_path / "moves")

    return carry_out


def test_where_shows_every_axis_and_moves_none(
    run: Callable[..., Any], demo_bench: Callable[..., Path]
) -> None:
    """Position, state and limits, in words and as JSON."""
    bench = demo_bench()
    said = run("where", bench)
    assert said.code == 0
    assert "source.x" in said.out
    assert "at rest" in said.out
    assert "−6 mm … 6 mm" in said.out
    facts = json.loads(run("where", bench, "--json").out)["axes"]["mirror.tip"]
    assert facts["unit"] == "mrad"
    assert facts["soft_limits"] == pytest.approx([-20.0, 20.0])
    assert facts["moving"] is False


@pytest.mark.parametrize(
    ("words", "there"),
    [
        (("source.x", "+0.1", "mm"), 0.6),
        (("source.x", "-0.1 mm"), 0.4),
        (("source.x", "by", "250", "um"), 0.75),
        (("source.x", "to", "-1.5", "mm"), -1.5),
    ],
)
def test_move_goes_on_or_to(
    move: Callable[..., Any], own_bench: Path, words: tuple[str, ...], there: float
) -> None:
    """A signed amount goes on from where the axis is; to goes to a position."""
    said = move(own_bench, *words)
    assert said.code == 0, said.err
    assert place(own_bench) == pytest.approx(there)
    assert "motors start without warning" in " ".join(said.err.split())


def test_back_undoes_and_the_journal_knows(
    move: Callable[..., Any], own_bench: Path, tmp_path: Path
) -> None:
    """Back goes where the last move by hand started; each is on record before it begins."""
    move(own_bench, "source.x", "+0.25 mm")
    move(own_bench, "source.x", "+0.25 mm")
    assert move(own_bench, "--back").code == 0
    assert place(own_bench) == pytest.approx(0.75)
    first, second, back = sorted((tmp_path / "moves").glob("*.db"))
    record = read_journal(back)
    assert record.run["strategy"] == "move"
    assert [m.status for m in record.moves] == ["done"]
    assert record.moves[-1].targets["source.x"] == pytest.approx(0.75)
    assert read_journal(second).moves[0].start["source.x"] == pytest.approx(0.75)
    assert read_journal(first).moves[0].start["source.x"] == pytest.approx(0.5)


def test_saved_positions_are_recalled(
    run: Callable[..., Any], move: Callable[..., Any], own_bench: Path
) -> None:
    """Positions saved under a name are gone to again; they are in a file beside the bench file."""
    assert run("where", own_bench, "--save", "aligned").code == 0
    move(own_bench, "source.x", "to", "1 mm")
    assert "aligned" in run("where", own_bench, "--saved").out
    assert move(own_bench, "--to", "aligned").code == 0
    assert place(own_bench) == pytest.approx(0.5)
    said = move(own_bench, "--to", "algned")
    assert said.code == 2
    assert "Did you mean 'aligned'" in said.err
    assert own_bench.with_suffix(".positions.json").exists()


@pytest.mark.parametrize(
    ("words", "said"),
    [
        (("source.x", "0.1 mm"), "could be a distance or a position"),
        (("source.x",), "say how far, as in source.x +0.1 mm"),
        (("source.x", "+0.1 mrad"), "is an angle; wanted is a length"),
        (("source.x", "+0.1"), "has no unit"),
        (("source.z", "+0.1 mm"), "Did you mean 'source.x'"),
        (("source.x", "to", "3 mm"), "allowed is -2 mm to 2 mm; nothing was moved"),
        (("source.x", "to", "-2 mm"), "to take up the backlash; allowed is"),
        (("source.x", "+1 mm", "source.x", "+1 mm"), "is named twice"),
        ((), "say where to move"),
        (("source.x", "+1 mm", "--back"), "one of the three"),
        (("--back",), "no earlier move is on record"),
    ],
)
def test_what_is_not_clear_moves_nothing(
    move: Callable[..., Any], own_bench: Path, words: tuple[str, ...], said: str
) -> None:
    """No unit, no sign, no such axis, beyond a limit: the reason, exit code 2, nothing moved."""
    told = move(own_bench, *words)
    assert told.code == 2
    assert said in " ".join(told.err.split())
    assert place(own_bench) == 0.5


def test_without_enter_or_yes_nothing_is_opened(
    run: Callable[..., Any], own_bench: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Where nobody can confirm the caution, no port is opened."""
    monkeypatch.setattr(sys, "stdin", io.StringIO(""))
    said = run("move", own_bench, "source.x", "+0.1 mm")
    assert said.code == 2
    assert "Nothing was opened" in said.err
    assert place(own_bench) == 0.5


def test_home_of_a_stage_that_cannot(run: Callable[..., Any], own_bench: Path) -> None:
    """The message says that the controller's own way is left."""
    said = run("home", own_bench, "source.x", "--yes")
    assert said.code == 2
    assert "cannot be sent home from here" in said.err


def test_home_over_a_line(
    run: Callable[..., Any], demo_bench: Callable[..., Path], tmp_path: Path
) -> None:
    """An axis is sent to its reference as the bench file says, and that is on record."""
    bench = demo_bench(link="loop")
    said = run("home", bench, "source.x", "--output", tmp_path / "moves", "--json")
    assert said.code == 0, said.err
    facts = json.loads(said.out)
    assert facts["axes"]["source.x"]["end"] == pytest.approx(0.0, abs=0.01)
    notes = read_journal(facts["journal"]).notes
    assert [n["kind"] for n in notes] == ["home", "homed"]


def test_stop_sees_every_axis_at_rest(
    run: Callable[..., Any], demo_bench: Callable[..., Path]
) -> None:
    """Every axis is stopped and read back at rest."""
    said = run("stop", demo_bench(link="loop"), "--json")
    assert said.code == 0
    assert not any(a["moving"] for a in json.loads(said.out)["axes"].values())


def test_talk_asks_everything_and_says_what_it_understood(
    run: Callable[..., Any], demo_bench: Callable[..., Path]
) -> None:
    """The bytes both ways, and what they mean; with --ask nothing else is sent."""
    bench = demo_bench(link="loop")
    said = run("talk", bench, "source", "--ask")
    assert said.code == 0
    assert "> '#2 at 1\\r'" in said.out
    assert "< '#2 at 1 +00000000\\r\\n'" in said.out
    assert "= 0 mm, at rest" in said.out
    facts = json.loads(run("talk", bench, "mirror", "--ask", "--json").out)
    assert [f["name"] for f in facts] == [
        "identity",
        "mirror.tip",
        "mirror.tilt",
        "mirror.clocking",
    ]
    assert not any(f["problem"] for f in facts)


def test_talk_says_what_it_did_not_understand(
    run: Callable[..., Any], demo_bench: Callable[..., Path]
) -> None:
    """A pattern that does not fit is shown beside the bytes that came; the exit code tells."""
    wrong = ("(?P<state>[a-z]+) (?P<homed>[a-z]+)'", "(?P<state>[A-Z]+)'")
    said = run("talk", demo_bench(wrong, link="loop"), "source", "--ask")
    assert said.code == 1
    assert "resting homed" in said.out
    assert "NOT UNDERSTOOD" in said.out
    assert "correct the reply pattern in the bench file" in said.text


def test_talk_sends_what_is_typed_and_stops_at_the_end(
    run: Callable[..., Any], demo_bench: Callable[..., Path], monkeypatch: pytest.MonkeyPatch
) -> None:
    """What is typed goes out as it stands; whoever leaves leaves nothing moving."""
    monkeypatch.setattr(sys, "stdin", io.StringIO("who\ngo 1 2000\n?stop\n"))
    said = run("talk", demo_bench(link="loop"), "source")
    assert said.code == 0
    assert "> 'go 1 2000\\r'" in said.out
    assert "< 'go 1 +00002000\\r\\n'" in said.out
    assert "STOP was sent and acknowledged" in said.out
    assert "At the end: STOP was sent and acknowledged" in said.err


def test_talk_to_what_is_not_there_or_has_no_line(run: Callable[..., Any], own_bench: Path) -> None:
    """An unknown device is told with those that are there; one without a line is told so."""
    assert "Did you mean 'mount'" in run("talk", own_bench, "mont").err
    assert "no line that a person could talk on" in run("talk", own_bench, "mount").err


PORT = """
port = "{port}"
identity = {{ send = "who", reply = "box" }}
move = {{ send = "go {{axis}} {{counts}}", reply = "ok" }}
position = {{ send = "at {{axis}}", reply = "(?P<counts>[+-][0-9]{{8}})" }}
state = {{ send = "is {{axis}}", reply = "(?P<state>[a-z]+)" }}
stop = {{ send = "halt" }}
resting = ["rest"]
moving = ["move"]
"""


@pytest.mark.parametrize(
    "command",
    [("where",), ("move", "a.x", "+0.1 mm", "--yes"), ("home", "a.x", "--yes"), ("stop",),
     ("talk", "mount", "--ask")],
    ids=lambda c: c[0],
)  # fmt: skip
def test_refused_while_another_program_has_the_port(
    run: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch, command: Any
) -> None:
    """No command talks into what another program does."""
    monkeypatch.setenv("XDG_RUNTIME_DIR", str(tmp_path))
    port = tmp_path / "port"
    bench = tmp_path / "bench.toml"
    text = OWN.replace('driver = "mine.py:stage"', 'driver = "line-ascii"' + PORT.format(port=port))
    more = 'channel = "1"\nunit = "um"\nper_count = 0.1\n'
    camera = 'driver = "image-folder"\nfolder = "."\npitch = "5 um"'
    text = text.replace('driver = "mine.py:camera"', camera)
    text = text.replace("source.x", "a.x").replace("{more}", more)
    bench.write_text(text)
    lock = PortLock(str(port), "stage mount, the other program")
    try:
        said = run(command[0], bench, *command[1:])
    finally:
        lock.release()
    assert said.code == 3
    assert "the other program) has the port" in " ".join(said.err.split())
