"""``autoalign check`` from the command line."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

from autoalign.journal import read_journal

Run = Callable[..., Any]


@pytest.mark.slow
def test_check_says_all_is_well_and_leaves_a_record(
    demo_bench: Callable[..., Path], tmp_path: Path, run: Run
) -> None:
    """Exit code 0, a table with units, a record and the facts in the folder."""
    said = run("check", demo_bench(), "--axes", "source.x, mirror.tip", "--output", tmp_path / "c")
    assert said.code == 0, said.out
    assert "No fault was found." in said.out
    assert "Every axis is back at its start" in said.text
    assert "8.0 µm" in said.out
    assert "15 µrad" in said.out
    facts = json.loads((tmp_path / "c" / "check.json").read_text(encoding="utf-8"))
    assert facts["well"] is True
    assert facts["axes"]["source.x"]["unit"] == "mm"
    assert facts["axes"]["source.x"]["stated_backlash"] == pytest.approx(0.008)
    assert read_journal(tmp_path / "c" / "run.db").run["strategy"] == "check"


@pytest.mark.slow
def test_check_finds_what_the_bench_file_says_wrongly(
    demo_bench: Callable[..., Path], tmp_path: Path, run: Run
) -> None:
    """A play that is stated a hundred times too small is found: exit code 1, and JSON says so.

    Only a link has play and counts from the file; directly the simulation's own are used.
    """
    bench = demo_bench(('backlash = "8 um"', 'backlash = "0.08 um"'), link="loop")
    said = run("check", bench, "--axes", "source.x", "--output", tmp_path / "c", "--json")
    facts = json.loads(said.out)
    assert said.code == 1, facts
    assert facts["well"] is False
    assert facts["back_at_start"] is True
    (found,) = (f for f in facts["findings"] if f["code"].startswith("backlash-"))
    assert (found["subject"], found["severity"]) == ("source.x", "warning")
    assert "source.x: " in found["sentence"]
    assert found["numbers"]["stated"]["unit"] == "mm"


def test_check_of_a_misspelt_axis_moves_nothing(
    demo_bench: Callable[..., Path], tmp_path: Path, run: Run
) -> None:
    """Exit code 2, and the axes that there are are named."""
    said = run("check", demo_bench(), "--axes", "sourcex", "--output", tmp_path / "c")
    assert said.code == 2
    assert "source.x" in said.err
