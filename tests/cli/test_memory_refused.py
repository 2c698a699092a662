"""A memory that the strategy refuses is said to be refused where a person sees it."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


@pytest.mark.slow
def test_a_refused_memory_is_told_on_the_command_line(
    demo_bench: Callable[..., Path], tmp_path: Path, run: Callable[..., Any]
) -> None:
    """Its date alone would read as if it had been used; the run is in spec without it."""
    bench = demo_bench()
    calibration = bench.with_suffix(".calibration.json")
    assert run("align", bench, "--output", tmp_path / "run", "--json").code == 0
    record = json.loads(calibration.read_text())
    record["calibration"]["sigma"][0] = -1.0
    calibration.write_text(json.dumps(record))
    said = run("align", bench, "--output", tmp_path / "run", "--json")
    assert (said.code, json.loads(said.out)["in_spec"]) == (0, True)
    words = " ".join(said.err.split())
    assert (
        f"calibration {calibration}: the calibration is not plausible (its priors are not those"
        in words
    )
    assert json.loads(calibration.read_text())["calibration"]["sigma"][0] > 0
