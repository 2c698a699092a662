"""Pages for people at a screen: ``autoalign gallery`` and ``autoalign plan --symptoms``."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.mark.slow
def test_gallery_shows_every_axis_of_every_bench_both_ways(run: Run, tmp_path: Path) -> None:
    """Aligned, and two cases for each of four axes, each with a picture a plane."""
    page = tmp_path / "deep" / "gallery.html"
    said = run("gallery", "steering", "--output", page, "--json")
    text = page.read_text(encoding="utf-8")
    assert said.code == 0
    assert json.loads(said.out) == {"page": str(page), "cases": {"steering": 9}}
    assert text.count("<img") == 18
    for axis in ("first.tip", "first.tilt", "second.tip", "second.tilt"):
        assert text.count(f"<strong>{axis} ") == 2


def test_gallery_refuses_a_bench_that_does_not_exist(run: Run, tmp_path: Path) -> None:
    """Nothing is rendered or written for a misspelt name."""
    said = run("gallery", "colimator", "--output", tmp_path / "g.html")
    assert said.code == 2
    assert "Did you mean 'collimator'?" in " ".join(said.err.split())
    assert not list(tmp_path.iterdir())


@pytest.mark.slow
def test_plan_writes_the_symptoms_of_the_bench(
    run: Run, demo_bench: Callable[..., Path], tmp_path: Path
) -> None:
    """The page names the bench's file and every axis of it; where it is, is said."""
    page = tmp_path / "symptoms.html"
    said = run("plan", demo_bench(), "--symptoms", page)
    text = page.read_text(encoding="utf-8")
    assert said.code == 0
    assert str(page) in said.text
    assert "Symptoms and causes: bench" in text
    for axis in ("source.x", "source.z", "mirror.clocking"):
        assert axis in text
