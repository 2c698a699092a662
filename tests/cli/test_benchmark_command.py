"""``autoalign benchmark``: runs, and every figure has a name, a unit and a number."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.mark.slow
def test_every_part_gives_figures_with_names_and_units(run: Run, tmp_path: Path) -> None:
    """Quick, as JSON: six parts, finite figures above 0, ratios among them."""
    said = run("benchmark", "--quick", "--json", "--folder", tmp_path)
    facts = json.loads(said.out)
    assert said.code == 0
    assert list(facts["parts"]) == ["trace", "memory", "render", "beam", "model", "journal"]
    figures = [f for part in facts["parts"].values() for f in part["figures"]]
    assert all(f["name"] and f["unit"] and f["repeats"] for f in figures)
    assert all(math.isfinite(f["value"]) and f["value"] > 0 for f in figures)
    assert all(f["low"] <= f["value"] <= f["high"] for f in figures)
    assert sum(f["unit"] == "×" for f in figures) > 2
    assert facts["machine"]["processors"] >= 1


def test_one_part_is_printed_as_a_table(run: Run) -> None:
    """Title, units, and how the figures were taken."""
    said = run("benchmark", "--quick", "--only", "memory")
    assert said.code == 0
    for words in ("Memory of the trace", "median", "MB", "one thread each"):
        assert words in said.text
    assert "Rendered" not in said.text


@pytest.mark.parametrize(
    ("asked", "words"), [("trase", "Did you mean 'trace'?"), (",", "trace, mem")]
)
def test_parts_that_do_not_exist_are_refused(run: Run, asked: str, words: str) -> None:
    """Usage mistakes end with 2 and name what there is."""
    said = run("benchmark", "--only", asked)
    assert said.code == 2
    assert words in " ".join(said.err.split())
