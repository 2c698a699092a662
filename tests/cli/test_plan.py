"""``autoalign plan``: from a bench file or a collimator's numbers to where everything goes."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from PIL import Image

from autoalign.config import read_bench_file

Run = Callable[..., Any]

NUMBERS = ("--focal-length", "101.6 mm", "--angle", "90 deg", "--aperture", "25.4 mm")


@pytest.mark.slow
def test_a_collimator_s_numbers_give_its_plan(run: Run) -> None:
    """At 90° the parent's focal length is ρ/2 and the source stands ρ beside the mirror."""
    said = run("plan", *NUMBERS, "--na", "0.05", "--json")
    facts = json.loads(said.out)
    assert said.code == 0
    (optic,) = facts["optics"]
    # f = ρ(1 + cos α)/2 and h = ρ sin α (D. J. Schroeder, Astronomical Optics, 2nd ed.,
    # chapter 3, from memory).
    assert optic["parent focal length (mm)"] == pytest.approx(50.8)
    assert optic["off-axis distance (mm)"] == pytest.approx(101.6)
    assert facts["light position (mm)"] == pytest.approx([-101.6, 0.0, 0.0], abs=1e-9)
    moves = {a["name"]: a["spot moves (mm per mm)"] for a in facts["axes"][:2]}["source.y"]
    # A source moved by t turns the beam by −t/ρ (derived here, first order).
    turn = (moves["far"][1] - moves["near"][1]) / 2000
    assert turn == pytest.approx(-1 / 101.6, rel=0.01)


@pytest.mark.slow
def test_a_bench_file_gives_words_tables_and_a_drawing(
    demo_bench: Callable[..., Path], run: Run, tmp_path: Path
) -> None:
    """The bench's own axes are judged, units are said, and the drawing is there."""
    said = run("plan", demo_bench(), "--drawing", tmp_path / "plan.png")
    assert said.code == 0
    for words in (
        "parent focal length 136.4364 mm",
        "off-axis distance 86.0365 mm",
        "How each axis moves the spot",
        "mm per mrad",
        "divergence of the beam itself (ISO 11146) 0.667 mrad full angle",
        "divergence, near to far 0.0232 mrad",
        "sufficient",
    ):
        assert words in said.text
    with Image.open(tmp_path / "plan.png") as image:
        assert min(image.size) > 500


@pytest.mark.slow
def test_an_axis_that_is_too_coarse_or_too_short_is_named(
    demo_bench: Callable[..., Path], run: Run
) -> None:
    """Steps above what the spec needs, and travel below, are said in capitals with the figure."""
    coarse = ('resolution = "0.5 um"', 'resolution = "20 um"')
    short = ('["-10 mm", "10 mm"]', '["-1 mm", "10 mm"]')
    said = run("plan", demo_bench(coarse, short))
    assert "TOO COARSE: 0.02 mm" in said.text
    assert "TOO SHORT: −1 mm … 10 mm" in said.text


@pytest.mark.slow
def test_held_axes_are_marked_and_not_judged(demo_bench: Callable[..., Path], run: Run) -> None:
    """However coarse: no search moves them. What stands behind the travel is said."""
    said = run("plan", demo_bench(("locked = []", 'locked = ["source"]')))
    assert said.code == 0
    assert said.text.count("locked, not evaluated") == 3
    assert "source.x (locked) – – –" in said.text
    assert "The travel compensates 3 standard deviations of the placement, without" in said.text


@pytest.mark.slow
def test_a_view_that_is_assumed_is_said_to_be(demo_bench: Callable[..., Path], run: Run) -> None:
    """With the pixels that the file's pitch would need; a view that is given is not commented."""
    driver = 'driver = "simulated"\nplane = "near"'
    real = 'driver = "image-folder"\nplane = "near"\nfolder = "p"\npitch = "5.5 um"'
    bench = demo_bench((driver, real))
    assumed = "field of view of 60 mm (10909 pixels at near, with the pitch of the bench file)"
    assert assumed in run("plan", bench).text
    said = run("plan", bench, "--view", "near=11.26 x 8.45 mm, far=60 mm").text
    assert "a field of view of near=11.26 x 8.45 mm, far=60 mm (--view)" in said
    assert "The aligned beam does not fit into the view at near" in said
    assert "outside even if aligned" in said
    assert "miss a view" not in said


@pytest.mark.slow
def test_the_profile_of_the_light_is_chosen_and_named(run: Run) -> None:
    """One NA is two beams: a Gaussian's is taken at 1/e², a multimode fibre's at 5 %."""
    lost = []
    for emission, where in (("multimode", "5 % of the centre"), ("gaussian", "1/e² (13.5 %)")):
        said = run("plan", *NUMBERS, "--na", "0.13", "--emission", emission, "--json")
        lost.append(json.loads(said.out)["beam at the first element"]["captured light (%)"])
        words = run("plan", *NUMBERS, "--na", "0.13", "--emission", emission).text
        assert f"{emission}, NA 0.13 (sine of the half-angle at {where}" in words
    assert lost[0] > lost[1] + 5


@pytest.mark.parametrize(
    ("arguments", "words"),
    [
        ((), "at least --focal-length and --angle"),
        (("--focal-length", "100", "--angle", "35 deg"), "'100' has no unit"),
        (("--focal-length", "100 mm", "--angle", "200 deg"), "must lie between 0° and 180°"),
        (("absent.toml",), "there is no such file"),
        (
            ("--focal-length", "-150 mm", "--angle", "35 deg"),
            "--focal-length '-150 mm': must be from 1 mm to 100 m",
        ),
        ((*NUMBERS[:4], "--aperture", "3 m"), "more than 4 times the reflected focal length"),
        ((*NUMBERS[:4], "--wavelength", "633"), 'write for instance "633 nm"'),
        (("--focal-length", "101,6 mm", "--angle", "35 deg"), "--focal-length '101,6 mm' has a"),
        (("--focal-length", "4 in", "--angle", "35 deg"), 'write "101.6 mm"'),
        (("--focal-length", "4 mm", "--angle", "35"), 'write for instance "35 deg"'),
        ((*NUMBERS, "--placement", "0,5 mm, 5 mrad"), "has a comma between two digits"),
        ((*NUMBERS, "--placement", "0.5 mm, 5"), 'write for instance "5 mrad"'),
        ((*NUMBERS, "--view", "-60 mm"), "a field of -60 mm"),
        ((*NUMBERS, "--view", "near=40 mm"), "no field is given for plane 'far'"),
        ((*NUMBERS, "--view", "60 x 4.5"), "--view '60 ' has no unit"),
        ((*NUMBERS, "--view", "60 x -45 mm"), "a field of -45 mm"),
        ((*NUMBERS, "--view", "near=4 mm, fra=6 mm"), "Did you mean 'far'?"),
        ((*NUMBERS, "--placement", "1 mm"), "give a length and an angle"),
        ((*NUMBERS, "--placement", "0 mm, 1 mrad"), "both must be larger than 0"),
        ((*NUMBERS, "--placement", "1e9 mm, 1 mrad"), "must be at most 100 mm and 500 mrad"),
        ((*NUMBERS, "--placement", "1 mm, 1e9 mrad"), "must be at most 100 mm and 500 mrad"),
        ((*NUMBERS, "--placement", "1e400 mm, 1 mrad"), "is beyond every number"),
        ((*NUMBERS, "--view", "near=4 mm, near=6 mm, far=6 mm"), "plane 'near' is given twice"),
        ((*NUMBERS, "--view", "near=, far=6 mm"), "--view, plane 'near', ''"),
        ((*NUMBERS, "--wavelength", "1e9 m"), "--wavelength '1e9 m': must be from 10 nm to 10 mm"),
        ((*NUMBERS[:4], "--aperture", "1e-300 mm"), "must be from 0.01 mm to 100 m"),
        ((*NUMBERS, "--core", "1e9 mm"), "--core '1e9 mm': must be from 0 mm to 1 m"),
        ((*NUMBERS, "--far", "1e30 m"), "--far '1e30 m': must be from 0.1 mm to 100000 m"),
    ],
)
def test_a_plan_that_cannot_be_made_says_why(
    run: Run, arguments: tuple[str, ...], words: str
) -> None:
    """Usage mistakes end with 2 and say what is missing or wrong."""
    said = run("plan", *arguments)
    assert said.code == 2
    assert words in said.err


def test_numbers_beside_a_bench_file_are_refused(demo_bench: Callable[..., Path], run: Run) -> None:
    """Which of the two would hold is not guessed."""
    said = run("plan", demo_bench(), "--focal-length", "100 mm")
    assert said.code == 2
    assert "a bench file and --focal-length exclude each other" in said.err


def test_the_template_is_a_bench_file_that_can_be_planned(run: Run, tmp_path: Path) -> None:
    """What is printed is the annotated example, word for word, and it is sound."""
    said = run("plan", "--template")
    path = tmp_path / "bench.toml"
    path.write_text(said.out, encoding="utf-8")
    assert said.code == 0
    assert "<<<" in said.out
    assert read_bench_file(path).layout is not None
