"""Caustic, stability and distribution by the command, of frames made up from a Gaussian beam."""

from __future__ import annotations

import json
import math
from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest

Run = Callable[..., Any]

WAVELENGTH, WAIST, PITCH, PLACE = 633e-6, 0.1, 0.02, 200.0
RAYLEIGH = math.pi * WAIST**2 / WAVELENGTH
DISTANCES = [PLACE + RAYLEIGH * k for k in (-3, -2.2, -0.8, -0.3, 0, 0.3, 0.8, 2.2, 3)]


@pytest.fixture
def frames(tmp_path: Path) -> Path:
    """Frames of a Gaussian beam of M² = 1 at nine places about its waist, with a little noise."""
    rng = np.random.default_rng(4)
    y, x = np.mgrid[:130, :130]
    for k, z in enumerate(DISTANCES):
        w = WAIST * math.sqrt(1 + ((z - PLACE) / RAYLEIGH) ** 2)
        r2 = ((x - 65 - 0.1 * (k % 2)) ** 2 + (y - 64) ** 2) * PITCH**2
        light = 2000 * np.exp(-2 * r2 / w**2) + 50 + rng.normal(0, 2, x.shape)
        np.save(tmp_path / f"{k}.npy", np.clip(light, 0, 4095).astype(np.uint16))
    return tmp_path


def test_a_caustic_finds_the_gaussian_beam_that_was_planted(frames: Path, run: Run) -> None:
    """Θ = 2λ/(π w₀), z_R = π w₀²/λ, M² = 1 (A. E. Siegman, Lasers, 1986, 17.1, from memory)."""
    distances = ", ".join(f"{z:.4f} mm" for z in DISTANCES)
    said = run(
        "measure", frames, "--pitch", "20 um", "--bits", "12", "--caustic", "--distances",
        distances, "--wavelength", "633 nm", "--json",
    )  # fmt: skip
    assert said.code == 0, said.err
    found = json.loads(said.out)["caustic (ISO 11146-1)"]
    for direction in ("along", "across"):
        c = found[direction]
        for name, planted in (
            ("waist_position (mm)", PLACE),
            ("waist (mm)", 2 * WAIST),
            ("divergence (mrad)", 2e3 * WAVELENGTH / (math.pi * WAIST)),
            ("rayleigh_length (mm)", RAYLEIGH),
            ("m2", 1.0),
        ):
            value, u = c[name]["value"], c[name]["uncertainty"]
            assert abs(value - planted) < 4 * u, (direction, name)
            assert u < 0.03 * planted
        assert any("10" in complaint for complaint in c["complaints"])


def test_stability_and_distribution_are_those_of_the_frames(frames: Path, run: Run) -> None:
    """A centre that hops by 0.1 pixels scatters by 4 s of that; a Gaussian is not flat."""
    said = run(
        "measure", frames, "--pitch", "20 um", "--bits", "12", "--stability", "--distribution",
        "--json",
    )  # fmt: skip
    facts = json.loads(said.out)
    hops = np.array([0.1 * PITCH * (k % 2) for k in range(len(DISTANCES))])
    major = facts["positional stability (ISO 11670)"]["major (mm)"]
    assert major == pytest.approx(4 * hops.std(ddof=1), rel=0.15)
    spread = facts["irradiance distribution (ISO 13694)"]
    assert len(spread) == len(DISTANCES)
    # Above half its peak a Gaussian's mean is 1/(2 ln 2) of the peak.
    first = next(iter(spread.values()))
    assert first["flatness"] == pytest.approx(1 / (2 * math.log(2)), rel=0.03)


def test_words_name_what_the_standard_asks_for(frames: Path, run: Run) -> None:
    """A person reads M² with its uncertainty, and that nine frames are few."""
    distances = ", ".join(f"{z:.4f} mm" for z in DISTANCES)
    said = run(
        "measure", frames, "--pitch", "20 um", "--bits", "12", "--caustic", "--distances",
        distances, "--wavelength", "633 nm", "--stability",
    )  # fmt: skip
    assert "M²" in said.out
    assert "Take 30 frames or more" in said.text


@pytest.mark.parametrize(
    ("options", "words"),
    [
        (["--caustic"], "--distances"),
        (
            ["--caustic", "--distances", "1 mm", "--wavelength", "633 nm"],
            "1 distances for 9 frames",
        ),
        (["--stability", "1.toml"], "unknown"),
    ],
)
def test_what_is_missing_is_said(frames: Path, run: Run, options: list[str], words: str) -> None:
    """Without distances, with too few of them, or with a bench file: exit code 2 and what to do."""
    if options[-1].endswith(".toml"):
        said = run("measure", frames / options[-1], "--stability")
        assert "take pictures" in said.err
    else:
        said = run("measure", frames, "--pitch", "20 um", *options)
        assert words in said.err
    assert said.code == 2
