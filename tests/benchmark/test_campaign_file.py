"""The file of a campaign: never mixed, never lost, damages named with their lines."""

from __future__ import annotations

import math
from dataclasses import replace
from importlib.metadata import version
from pathlib import Path

import pytest

from autoalign.benchmark.campaign import cases, run_campaign
from autoalign.benchmark.campaign_file import (
    append_rows,
    read_campaign,
    read_rows,
    write_parquet,
)
from autoalign.benchmark.outcome import Case, Outcome
from autoalign.core.errors import UsageError
from autoalign.session import Budget

ROW = Outcome(
    "s", "b", 0, True, True, 4, 3, 2.0, 0.01, 1.0, 0.1, 30.0, 0.4, "in spec", "verified, twice",
    40, math.inf, version("autoalign"), 0.1,
)  # fmt: skip


@pytest.fixture
def path(tmp_path: Path) -> Path:
    """A campaign of three runs."""
    file = tmp_path / "campaign.csv"
    append_rows(file, [replace(ROW, seed=k) for k in range(3)])
    return file


def go_on(path: Path, budget: Budget) -> list[Outcome]:
    """Ask for what is there already; whoever would run anything fails."""

    def never(*asked: object) -> None:
        raise AssertionError(asked)

    wanted = cases(["s"], ["b"], range(3), [0.1])
    return run_campaign(wanted, never, never, budget=budget, path=path)  # type: ignore[arg-type]


def test_rows_come_back_as_they_were(path: Path) -> None:
    """Every column, text with commas included."""
    assert read_rows(path) == [replace(ROW, seed=k) for k in range(3)]
    assert go_on(path, Budget(40)) == read_rows(path)


def test_half_a_last_line_is_left_out_and_dropped_by_the_next(path: Path) -> None:
    """A line that was cut off by a crash is not read, and the next begins on a line of its own."""
    with path.open("a") as file:
        file.write("s,b,3,True,Tr")
    assert [o.case for o in read_rows(path)] == [Case("s", "b", k, 0.1) for k in range(3)]
    append_rows(path, [replace(ROW, seed=7)])
    assert [o.seed for o in read_rows(path)] == [0, 1, 2, 7]


@pytest.mark.parametrize(
    ("budget", "row", "words"),
    [
        (Budget(41), ROW, "a budget of 40 measurements; asked for is a budget of 41 measurements"),
        (Budget(40, 60.0), ROW, "a budget of inf s; asked for is a budget of 60 s"),
        (Budget(40), replace(ROW, version="0.0"), "contains outcomes of version 0.0; asked for is"),
    ],
)
def test_outcomes_of_other_settings_are_never_mixed(
    path: Path, budget: Budget, row: Outcome, words: str
) -> None:
    """Also where only rows that are not asked for differ; the file stays as it is."""
    append_rows(path, [replace(row, seed=99)])
    kept = path.read_bytes()
    with pytest.raises(UsageError, match="name another folder") as said:
        go_on(path, budget)
    assert words in str(said.value)
    assert path.read_bytes() == kept


@pytest.mark.parametrize(
    ("old", "new", "words"),
    [
        (",1,True,True,4,", ",one,True,True,4,", "line 3: seed is 'one'; a whole number is needed"),
        (",1,True,True,4,", ",1,True,TRUE,4,", "line 3: reached is 'TRUE'; True or False is"),
        (",1,True,True,4,3,2.0,", ",1,True,True,4,3,soon,", "bench_seconds is 'soon'; a number is"),
        (",1,True,True,4,3,2.0,", ",1,True,T\n", "line 3: 5 of 22 columns"),
        (',"verified, twice",', ',"verified, twice,', "unexpected end of data"),
    ],
)
def test_damaged_lines_are_named_and_kept(path: Path, old: str, new: str, words: str) -> None:
    """The file, the line, what stands there and what belongs there; nothing is run or changed."""
    text = path.read_text()
    assert old in text
    place = text.rindex(old) if "verified" in old else text.index(old)
    path.write_text(text[:place] + new + text[place + len(old) :])
    kept = path.read_bytes()
    with pytest.raises(UsageError) as said:
        go_on(path, Budget(40))
    assert str(said.value).startswith(f"{path}: ")
    assert words in str(said.value)
    assert "nothing was run or changed" in str(said.value)
    assert path.read_bytes() == kept


@pytest.mark.parametrize(
    ("content", "words"),
    [
        (b"a,b\n1,2\n", "not a campaign file; columns missing: strategy"),
        (b"my only line", "not a campaign file"),
        (b"\xff\xfe\x00", "not text"),
    ],
)
def test_a_file_that_is_no_campaign_is_refused_and_kept(
    tmp_path: Path, content: bytes, words: str
) -> None:
    """Somebody else's file is named with the columns that it lacks, and not written over."""
    path = tmp_path / "campaign.csv"
    path.write_bytes(content)
    with pytest.raises(UsageError, match=words):
        go_on(path, Budget(40))
    assert path.read_bytes() == content


def test_a_file_of_an_earlier_version_is_refused_and_kept(path: Path) -> None:
    """Without the budget nobody knows what its rows may stand beside."""
    header, rest = path.read_text().split("\n", 1)
    path.write_text(header.replace("budget,budget_seconds,version,", "") + "\n" + rest)
    kept = path.read_bytes()
    with pytest.raises(UsageError, match="did not keep budget, budget_seconds, version"):
        go_on(path, Budget(40))
    assert path.read_bytes() == kept


def test_parquet_holds_what_the_csv_holds(path: Path, tmp_path: Path) -> None:
    """Both come back the same; what is no campaign is refused, and so is what is not there."""
    pytest.importorskip("pyarrow", reason="pyarrow (extra parquet) is not installed")
    rows = [*read_rows(path), replace(ROW, seed=9, reached=False, merit_last=math.inf)]
    file = write_parquet(tmp_path / "c.parquet", rows)
    assert read_campaign(file) == rows
    assert read_campaign(path) == read_rows(path)
    assert not list(tmp_path.glob("*.part"))
    (tmp_path / "x.parquet").write_bytes(b"no")
    with pytest.raises(UsageError, match="not a campaign file"):
        read_campaign(tmp_path / "x.parquet")
    with pytest.raises(UsageError, match="no such file"):
        read_campaign(tmp_path / "y.csv")
