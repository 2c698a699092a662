"""Mistakes in a bench file: all at once, each with its line and what to do."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path

import pytest
from hypothesis import given, settings
from hypothesis import strategies as st

from autoalign.config import example, read_bench_file
from autoalign.config.benchfile import check_text
from autoalign.core.errors import BenchFileError, UsageError
from autoalign.plugins import names

Writer = Callable[..., Path]


def problems(path: Path, **overrides: object) -> list[str]:
    """Return the mistakes that reading ``path`` reports."""
    with pytest.raises(BenchFileError) as caught:
        read_bench_file(path, overrides)
    return list(caught.value.problems)


def test_five_mistakes_are_reported_at_once_in_the_order_of_the_file(bench_file: Writer) -> None:
    """A number without unit, a misspelt key, reversed limits, no such driver, no such plane."""
    path = bench_file(
        ('"35 deg"', "35"),
        ('resolution = "1 um"', 'reslution = "1 um"'),
        ('travel = ["-2 deg", "2 deg"]', 'travel = ["2 deg", "-2 deg"]'),
        ('driver = "example-camera"\nplane = "near"', 'driver = "exampel-camera"\nplane = "near"'),
        ('plane = "far"', 'plane = "fra"'),
    )
    known = ", ".join(sorted([*names("detectors"), "simulated"]))
    with pytest.raises(BenchFileError) as caught:
        read_bench_file(path)
    assert str(caught.value).splitlines() == [
        f"{path}: 5 mistakes; nothing was moved.",
        '  line 8, optic.off_axis_angle: 35 has no unit; write for instance "35 deg".',
        '  line 26, stages.source.axes."source.x".reslution: there is no such key. Did you mean '
        "'resolution'? Allowed here: approach, backlash, channel, max_step, motion, resolution, "
        "speed, tolerance, travel.",
        '  line 36, stages.mount.axes."mirror.tip".travel: the lower limit 2 deg is not below the '
        "upper limit -2 deg; exchange them.",
        "  line 42, detectors.near.driver: there is no detector driver named 'exampel-camera'. Did "
        f"you mean 'example-camera'? Known: {known}.",
        "  line 47, detectors.far.plane: there is no plane named 'fra'. Did you mean 'far'? Known: "
        "far, near.",
    ]


@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('driver = "example-stage"\nport = "A"', 'driver = "line-asci"\nport = "A"',
         "line 21, stages.source.driver: there is no stage driver named 'line-asci'. Did you mean "
         "'line-ascii'?"),
        ('driver = "example-stage"\nport = "A"', 'driver = "gcode"\nport = "A"',
         "line 21, stages.source.driver: the driver 'gcode' is gone; use 'rs274', which takes "
         "other keys"),
        ('locked = ["mirror"]', 'locked = ["miror"]',
         "line 4, bench.locked[0]: there is no part or axis named 'miror'. Did you mean 'mirror'?"),
        ('locked = ["mirror"]', 'strategy = "nelder"',
         "line 4, bench.strategy: there is no strategy named 'nelder'."),
        ('"source.x"', '"source.q"',
         'line 24, stages.source.axes."source.q": layout collimator: there is no axis named '),
        ('"5 um"', '"5 urad"',
         'source.x".backlash: 5 urad is an angle; with this travel it must be a length.'),
        ('"2 mm/s"', '"2 mm"',
         'source.x".speed: 2 mm is a length; with this travel it must be a speed.'),
        ('"2 mm/s"', '"0 mm/s"', 'source.x".speed: must be larger than 0.'),
        ('"-6 mm", "6 mm"', '"-6 mm", "6 deg"',
         "a length and an angle given; both limits must be lengths, or both angles."),
        ('"-6 mm", "6 mm"', '"-6 mm"', "1 given; at least 2 needed."),
        ('"-2 deg", "2 deg"]\nresolution = "10 urad"', '"-2 mm", "2 mm"]',
         "travel: this axis is a turn; give its travel in mrad or deg"),
        ("channel = 1\n\n[stages.mount]", "[stages.mount]",
         'line 24, stages.source.axes."source.x".channel: this key is missing; add it.'),
        ('port = "B"', 'port = "B"\nretries = -1',
         "line 34, stages.mount.retries: -1 is not allowed; it must be 0 or larger."),
        ('port = "B"', 'prt = "B"',
         "line 33, stages.mount.prt: there is no such key. Did you mean 'port'? Allowed here: "
         "axes, driver, like, port, retries."),
        ('port = "B"', 'port = "simulated"', "a simulated port needs a [simulation] table"),
        ("pointing_x", "pointing_z", "line 51, spec.pointing_z: there is no merit term named"),
        ('"0.1 mrad", target', '"0.1 mm", target',
         "line 51, spec.pointing_x.tolerance: pointing is an angle; 0.1 mm is a length."),
        ('ellipticity = { tolerance', 'ellipticity = { colour = 1, tolerance',
         "line 53, spec.ellipticity.colour: term ellipticity: there is no key named 'colour'."),
        ("na = 0.12", "na = 1.2",
         "line 13, source.na: 1.2 is not allowed; it must be smaller than 1."),
        ("na = 0.12", "na = \"0.12\"", "line 13, source.na: '0.12' is not a number."),
        ('"0.4 m"', '"0.4 furlong"', "line 17, planes.near: there is no unit named 'furlong'."),
        ('far = "2.4 m"', 'far = "2"', "'2' has no unit; write for instance \"2 m\""),
        ('"660 nm"', '"660"', "'660' has no unit; write for instance \"660 nm\""),
        ('"150 mm"', '"150,5 mm"', "'150,5 mm' has a comma between two digits"),
        ('"1.5 %"', '"1.5"', '"1.5 mm", "1.5 mrad" or "1.5 %", as it is meant'),
        ('"1.5 %"', '"200 %"', "accepts every beam"),
        ('"0.4 m"', '"0.4 rad"', 'is an angle; wanted is a length (for instance "0.4 m").'),
        ("measurements = 30", "measurements = 1",
         "line 56, budget.measurements: 1 is not allowed; it must be 2 or"),
        ('pitch = "1 %"', 'ptch = "1 %"',
         "line 60, uncertainties.ptch: there is no uncertainty named"),
        ('pitch = "1 %"', '"far.pitch" = "1 mm"',
         'line 60, uncertainties."far.pitch": pitch is a plain number; 1 mm is a length.'),
        ('pitch = "1 %"', '"fra.pitch" = "1 %"', "no part, plane or axis named 'fra'"),
        ('"35 deg"', '"200 deg"', "line 8, optic.off_axis_angle: an off-axis angle lies between"),
    ],
)  # fmt: skip
def test_one_mistake_is_named_with_its_line_and_what_is_allowed(
    bench_file: Writer, old: str, new: str, said: str
) -> None:
    """Each mistake alone gives one report, which says where it is and what would be right."""
    found = problems(bench_file((old, new)))
    assert len(found) == 1, found
    assert said in found[0]


def test_tables_that_the_family_lacks_or_does_not_use_are_named(bench_file: Writer) -> None:
    """A steering bench has no use for a paraboloid and a fibre, and needs a beam."""
    found = problems(
        bench_file(
            ('name = "test bench"', 'name = "test bench"\nlayout = "steering"'),
            ("[planes]", '[arrangement]\norientation = "adding"\n\n[planes]'),
        )
    )
    assert found[0] == "line 3, bench.layout: layout steering needs [beam]; add [beam]."
    assert "line 7, optic: layout steering does not use this table; it needs [beam]." in found
    assert "line 12, source: layout steering does not use this table; it needs [beam]." in found
    assert "no key named 'orientation'. Known: clear_aperture, separation." in found[-1]


def test_a_missing_table_does_not_hide_the_other_mistakes(bench_file: Writer) -> None:
    """Without a bench name and without planes, a wrong driver is still found."""
    found = problems(
        bench_file(
            ('name = "test bench"', ""), ('driver = "example-stage"\nport = "A"', 'driver = "x"')
        )
    )
    assert len(found) == 2
    assert "bench.name: this key is missing" in found[0]
    assert "no stage driver named 'x'" in found[1]


def test_an_axis_on_two_stages_is_named(bench_file: Writer) -> None:
    """Axis names are unique over the bench; the second is reported with the stage of the first."""
    extra = '\n[stages.third]\ndriver = "example-stage"\nport = "C"\n'
    extra += '[stages.third.axes."source.x"]\ntravel = ["-1 mm", "1 mm"]\nchannel = 1\n'
    found = problems(bench_file(extra=extra))
    assert "stage 'source' already has an axis of this name" in found[0]


def test_text_that_is_not_toml_names_the_line(bench_file: Writer) -> None:
    """A broken string is reported with line and column, as the one mistake."""
    found = problems(bench_file(('"150 mm"', '"150 mm')))
    assert len(found) == 1
    assert found[0].startswith("line 7, column ")


def test_a_mistake_in_an_override_is_called_one(bench_file: Writer) -> None:
    """The file has no line for a value that came from the command line."""
    with pytest.raises(BenchFileError, match=r"override, bench.frames: 0 is not allowed"):
        read_bench_file(bench_file(), {"bench.frames": 0})


def test_a_missing_or_unreadable_file_is_told_apart(tmp_path: Path) -> None:
    """No such file, a folder, and bytes that are no text each have their own message."""
    with pytest.raises(UsageError, match=r"absent\.toml: there is no such file"):
        read_bench_file(tmp_path / "absent.toml")
    with pytest.raises(UsageError, match="cannot be read: Is a directory"):
        read_bench_file(tmp_path)
    broken = tmp_path / "latin.toml"
    broken.write_bytes(b'[bench]\nname = "B\xe4nk"\n')
    with pytest.raises(BenchFileError, match="byte 17: not UTF-8 text"):
        read_bench_file(broken)


VALUES = (
    '"x"', "1", "-1", "1e400", "nan", "[]", "{}", "true", '"1 mm"', '"1 mrad"', '["a"]', "{a = 1}",
    '""', "[[]]", "2020-01-01", '"µ"', '"simulated"', '"nan mm"', '"1e400 mm"', '["1 mm", "2 mm"]',
)  # fmt: skip
LINES = example("demo").read_text(encoding="utf-8").splitlines()


@pytest.mark.slow
@settings(max_examples=40, deadline=None)
@given(
    st.lists(
        st.tuples(st.integers(0, len(LINES) - 1), st.sampled_from(["", "no = ", *VALUES])),
        min_size=1,
        max_size=4,
    )
)
def test_whatever_is_done_to_a_file_the_answer_is_a_bench_or_our_own_error(
    changes: list[tuple[int, str]],
) -> None:
    """Lines deleted, values exchanged, keys added: never an error from below, always a line."""
    lines = list(LINES)
    for place, change in changes:
        if change in VALUES and "=" in lines[place]:
            lines[place] = lines[place].partition("=")[0] + "= " + change
        else:
            lines[place] = change and change + "1"
    problems: tuple[str, ...] = ()
    try:
        check_text("bench.toml", "\n".join(lines), {})
    except BenchFileError as error:
        problems = error.problems or ("no reason given",)
    assert all("line " in p or "at the end" in p for p in problems)


@pytest.mark.parametrize(
    ("old", "new", "where"),
    [
        ('locked = ["mirror"]', 'hold = ["mirror"]', "locked"),
        ('backlash = "5 um"', 'play = "5 um"', "backlash"),
        ('name = "test bench"', 'name = "test bench"\nfamily = "collimator"', "layout"),
        ('pitch = "1 %"', 'mark = "1 mm"', "fiducial"),
    ],
)
def test_a_key_of_earlier_bench_files_names_the_new_one(
    bench_file: Writer, old: str, new: str, where: str
) -> None:
    """Nothing is guessed: the old name is refused, and the error says what to write."""
    with pytest.raises(BenchFileError, match=rf"is called '{where}' now; write {where}"):
        read_bench_file(bench_file((old, new)))
