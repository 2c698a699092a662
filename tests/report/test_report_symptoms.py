"""Symptoms come from the physics and say it right."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Beam, Element, Flat, Layout, Motion, Plane
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.report import write_symptoms
from autoalign.report.spots import spots_at
from autoalign.report.symptoms import (
    amount_label,
    axis_symptoms,
    findings,
    look_alikes,
    readings,
)

OPTIC = OffAxisParaboloid(150.0, 35.0, 30.0)
LAYOUT = collimator_layout(OPTIC, 0.1, 0.12, 660e-6)


@pytest.fixture(scope="module")
def symptoms():
    """The symptoms of the made-up spectrometer's input arm."""
    return axis_symptoms(LAYOUT)


def one(symptoms, axis: str, sign: int):
    """Return the symptom of ``axis`` with that sign."""
    return next(s for s in symptoms if s.axis == axis and s.amount * sign > 0)


def test_an_aligned_beam_grows_by_the_source_alone():
    """d² = D² + Θ²(z − ρ)², Θ = core/ρ (ISO 11146-1, from memory).

    Every point of the face sends its cone the same way, so that the bundles of all points coincide
    a focal length behind the mirror: the narrowest place, the source's exit pupil.
    """
    layout = collimator_layout(OPTIC, 0.1, 0.05, 660e-6, emission="uniform")
    spots = spots_at(layout)
    theta = 0.1 / 150.0
    grown = spots["far"].width ** 2 - spots["near"].width ** 2
    assert math.isclose(grown, theta**2 * (2250.0**2 - 250.0**2), rel_tol=0.005)


def test_a_round_source_gives_a_round_beam_whose_centre_stays():
    """An aligned section keeps ellipticity 1 wherever nothing is clipped (derived here)."""
    layout = collimator_layout(OPTIC, 0.0, 0.04, 660e-6, emission="uniform")
    for spot in spots_at(layout).values():
        assert abs(spot.stretch[0]) < 1e-6
        assert abs(spot.stretch[1]) < 1e-9
        assert math.hypot(spot.x, spot.y) < 1e-3


def test_an_overfilled_mirror_gives_the_widths_of_the_plan():
    """The page and the plan calculate the same beam in two ways, its cut edge included."""
    layout = collimator_layout(OPTIC, 0.1, 0.12, 660e-6)
    exact = quantities(layout)
    for plane, spot in spots_at(layout).items():
        assert math.isclose(spot.width, exact[f"{plane}.xx"], rel_tol=1e-3)


def test_a_source_moved_sideways_points_the_beam_by_t_over_rho():
    """Pointing −t/ρ between the planes; closed form, derived here, all orders: atan(t/ρ)."""
    layout = collimator_layout(OPTIC, 0.0, 0.02, 660e-6, emission="uniform")
    spots = spots_at(layout, {"source.x": 0.5})
    pointing = (spots["far"].x - spots["near"].x) / 2000.0
    assert math.isclose(pointing, -math.atan(0.5 / 150.0), rel_tol=2e-3)


@pytest.mark.common_practice
def test_the_words_follow_common_practice(symptoms):
    """Sideways moves stretch the far beam one way or the other; distance grows or shrinks it."""
    far = {(s.axis, s.amount > 0): s.sentence("far") for s in symptoms}
    assert "moves left" in far["source.x", True]
    assert "stretches sideways" in far["source.x", True]
    assert "stretches up and down" in far["source.x", False]
    assert "moves down" in far["source.y", True]
    assert "rising diagonal" in far["source.y", True]
    assert "falling diagonal" in far["source.y", False]
    assert far["source.z", True].startswith("grows")
    assert far["source.z", False].startswith("shrinks")


@pytest.mark.common_practice
def test_a_source_too_close_gives_a_large_far_beam_too_far_a_small_one(symptoms):
    """Towards the mirror (+z) diverges, away from it converges."""
    near, far = one(symptoms, "source.z", 1), one(symptoms, "source.z", -1)
    assert near.after["far"].width > 1.1 * near.before["far"].width
    assert far.after["far"].width < 0.9 * far.before["far"].width


def test_numbers_in_the_words_are_those_of_the_trace(symptoms):
    """ "moves left 7.48 mm" is the centroid's way, and plus and minus are near mirror images."""
    plus, minus = one(symptoms, "source.x", 1), one(symptoms, "source.x", -1)
    moved = plus.after["far"].x - plus.before["far"].x
    assert f"moves left {abs(moved):.2f} mm" in plus.sentence("far")
    assert math.isclose(moved, -(minus.after["far"].x - minus.before["far"].x), rel_tol=0.02)


def test_amounts_show_on_the_screen(symptoms):
    """Every axis is off by enough to see: a fifth of the beam's width at some plane, or nearly."""
    for s in symptoms:
        most = max(f.strength for p in s.after for f in s.findings(p))
        assert 0.15 < most < 1.0


def test_the_way_back_names_the_cause(symptoms):
    """The table "you see → it may mean" leads back to what was turned, strongest first."""
    table = readings(symptoms)
    assert set(table["far: stretches sideways, as by astigmatism 0°"]) == {
        one(symptoms, "source.x", 1).label
    }
    assert one(symptoms, "mirror.tilt", -1).label in table["far: moves left"]
    places = [k.partition(":")[0] for k in table]
    assert places == sorted(places, key=["near", "far"].index)


def test_source_and_mirror_are_told_to_look_alike(symptoms):
    """Common degeneracy: moving the source or turning the mirror gives nearly the same picture."""
    pairs = look_alikes(symptoms)
    assert any("source.y" in a and "mirror.clocking" in b for a, b in pairs)
    assert not any("source.z" in a or "source.z" in b for a, b in pairs)


def test_a_beam_that_misses_is_said_to_be_gone():
    """No light is a finding, not a crash."""
    layout = collimator_layout(OPTIC, 0.0, 0.02, 660e-6, emission="uniform")
    before = spots_at(layout)
    after = spots_at(layout, {"source.y": 40.0})
    assert after["far"].power == 0
    assert findings(before["far"], after["far"])[0].words == "dark: no light arrives"


def test_a_fold_mirror_doubles_its_turn():
    """A flat turned by w about the axis square to both rays turns the beam by 2w."""
    s = math.sqrt(0.5)
    layout = Layout(
        "steering", Beam(3.0, 633e-6, (0.0, 0.0, -300.0), (0.0, 0.0, 1.0)),
        (Element("fold", Flat(25.4), (0.0, 0.0, 0.0), ((-s, 0, s), (0, 1, 0), (-s, 0, -s))),),
        (Plane("near", 300.0), Plane("far", 1500.0)),
        (Motion("fold.tilt", "fold", "turn", (0.0, 1.0, 0.0)),),
    )  # fmt: skip
    spots = spots_at(layout, {"fold.tilt": 1e-3})
    moved = math.hypot(spots["far"].x, spots["far"].y)
    assert math.isclose(moved, 1500.0 * math.tan(2e-3), rel_tol=1e-9)


@pytest.mark.parametrize(
    ("amount", "unit", "label"),
    [(0.5, "mm", "+0.5 mm"), (-0.002, "mm", "−2 µm"), (5e-3, "rad", "+5 mrad"),
     (-2e-6, "rad", "−2 µrad")],
)  # fmt: skip
def test_amounts_carry_their_unit(amount, unit, label):
    """People's units, with a sign."""
    assert amount_label(amount, unit) == label


@pytest.mark.slow
def test_the_page_shows_every_axis_with_pictures(tmp_path, check_page):
    """Well formed, self-contained, an alternative text for every picture with what it shows."""
    layout = replace(LAYOUT, motions=LAYOUT.motions[1:3])
    page = check_page(write_symptoms(layout, tmp_path / "s.html", "a <b>").read_text("utf-8"))
    pictures = page.all("img")
    assert len(pictures) == 1 + 2 * len(layout.motions) * len(layout.planes)
    assert all(len(p["alt"]) > 30 for p in pictures)
    assert all(a.startswith("data:") for a in page.addresses)
    for motion in layout.motions:
        assert motion.axis in page.text
    assert "a <b>" in page.text
    assert np.all([h.get("scope") in ("row", "col") for h in page.all("th")])
