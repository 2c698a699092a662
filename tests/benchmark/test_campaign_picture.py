"""The picture of a campaign: every strategy can be seen, also where curves coincide."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from pathlib import Path

import numpy as np
import pytest
from PIL import Image

from autoalign.benchmark.campaign_picture import draw_campaign
from autoalign.benchmark.outcome import Outcome
from autoalign.report.style import SERIES


def outcomes(measurements: Mapping[str, Sequence[int]]) -> list[Outcome]:
    """Runs that needed so many looks, by strategy; 200 did not get there."""
    return [
        Outcome(name, "b", k, n < 200, n < 200, n, n, 1.0, 0.0, 1.0, 0.1, 9.0, 0.5, "x", "y",
                200, math.inf, "0")
        for name, many in measurements.items() for k, n in enumerate(many)
    ]  # fmt: skip


def drawn(path: Path, colour: str) -> int:
    """Return how many pixels of ``colour`` the panel shows; the legend lies to its right."""
    pixels = np.asarray(Image.open(path).convert("RGB")).astype(int)
    left = pixels[:, : int(0.58 * pixels.shape[1])]
    wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return int((np.abs(left - wanted).max(axis=2) < 12).sum())


@pytest.mark.slow
@pytest.mark.parametrize("many", [2, 3, 5])
def test_equal_curves_are_all_to_be_seen(tmp_path: Path, many: int) -> None:
    """Each of so many equal curves shows about its part of the line."""
    same = {f"s{k}": [4, 5, 5, 6, 9, 30] for k in range(many)}
    path = draw_campaign(outcomes(same), tmp_path / "c.png")
    counts = [drawn(path, SERIES[k][0]) for k in range(many)]
    assert min(counts) > 0.4 * sum(counts) / many


@pytest.mark.slow
def test_curves_that_coincide_for_a_stretch_are_both_to_be_seen_there(tmp_path: Path) -> None:
    """Two strategies that part only later both show in the stretch that they share."""
    path = draw_campaign(outcomes({"a": [2, 3], "b": [2, 199]}), tmp_path / "c.png")
    pixels = np.asarray(Image.open(path).convert("RGB")).astype(int)
    bottom = pixels[int(0.8 * len(pixels)) :, : int(0.3 * pixels.shape[1])]
    for colour, *_ in SERIES[:2]:
        wanted = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
        assert (np.abs(bottom - wanted).max(axis=2) < 12).sum() > 50


@pytest.mark.slow
def test_different_curves_are_drawn_whole(tmp_path: Path) -> None:
    """A curve that meets no other keeps every pixel of its own."""
    two = draw_campaign(outcomes({"a": [1, 1], "b": [200, 200]}), tmp_path / "c.png")
    assert min(drawn(two, SERIES[k][0]) for k in (0, 1)) > 1000
