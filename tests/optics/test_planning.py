"""Plans: figures against the formulas, reach against the exact trace, advice in words."""

from __future__ import annotations

import json
import math
import re

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.optics.ideal import quantities
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout, steering_layout
from autoalign.plan.advice import fill_of
from autoalign.plan.planning import Plan, plan
from autoalign.plan.reach import capture_range
from autoalign.plan.tolerance import by_quantity, by_term, tolerance_table, used
from autoalign.spec.terms import DivergenceTerm, PointingTerm, QuantityTerm, Spec

OPTIC = OffAxisParaboloid(150, 35, 30)
DEMO = collimator_layout(OPTIC, 0.1, 0.12, 660e-6)
SPEC = Spec.collimation(source_divergence=0.1 / 150, waist=150.0)


@pytest.fixture(scope="module")
def demo() -> Plan:
    """The plan of the demo bench, with few draws."""
    return plan(DEMO, SPEC, np.random.default_rng(1), draws=200)


def test_where_everything_goes(demo: Plan) -> None:
    """Focal lengths, off-axis distance, source position and heights as the geometry has them."""
    (optic,) = demo.optics
    assert optic.reflected_focal_length == 150
    assert optic.parent_focal_length == pytest.approx(150 * (1 + math.cos(math.radians(35))) / 2)
    assert optic.off_axis_distance == pytest.approx(150 * math.sin(math.radians(35)))
    assert demo.light_position == pytest.approx(optic.focus)
    assert set(demo.heights) == {"source", "mirror", "near", "far"}
    assert max(map(abs, demo.heights.values())) < 1e-12
    assert demo.source_divergence == pytest.approx(0.1 / 150)


@pytest.mark.parametrize(
    ("angle", "na", "stands"), [(15, 0.12, False), (5, 0.12, True), (5, 0.05, False)]
)
def test_a_source_that_stands_in_its_own_beam_is_named(
    angle: float, na: float, stands: bool
) -> None:
    """At 5° the focus lies 8.7 mm (ρ sin α) beside the middle of a beam of 24 mm; not at 15°."""
    section = OffAxisParaboloid(100, angle, 60)
    layout = collimator_layout(section, 0.1, na, 660e-6)
    made = plan(layout, SPEC, np.random.default_rng(1), draws=1)
    assert any("casts a shadow" in line for line in made.advice) is stands


def test_a_focus_between_the_planes_that_looks_like_a_collimated_beam_is_foretold() -> None:
    """ρ = 60 mm: 60²/(1400 − 60) = 2.7 mm, within reach; ρ = 150 mm: 18 mm, out of it."""
    for rho, foretold in ((60, True), (150, False)):
        layout = collimator_layout(OffAxisParaboloid(rho, 35, 15), 0.1, 0.05, 660e-6)
        made = plan(layout, SPEC, np.random.default_rng(1), draws=1)
        found = [line for line in made.advice if "focus halfway" in line]
        assert bool(found) is foretold
        assert all("2.7 mm too far" in line for line in found)


def test_the_demo_overfills_and_the_advice_says_what_to_do(demo: Plan) -> None:
    """The edge of the cone is 36 mm across on 30 mm; advice gives aperture, ρ and NA that fit."""
    psi = math.asin(0.12)
    edge = 4 * OPTIC.parent_focal_length * math.sin(psi)
    edge /= math.cos(OPTIC.off_axis_angle) + math.cos(psi)
    assert demo.fill.overfilled
    assert demo.fill.footprint == pytest.approx(edge, rel=1e-4)
    assert demo.fill.diameter == pytest.approx(30)
    assert 0.85 < demo.fill.captured < 0.9
    text = " ".join(demo.advice)
    assert "overfills mirror" in text
    assert "36.1 mm" in text
    fits = collimator_layout(OffAxisParaboloid(150 * 30 / edge, 35, 30), 0.1, 0.12, 660e-6)
    assert fill_of(fits).footprint == pytest.approx(30, rel=1e-3)
    numbers = re.search(
        r"aperture of at least (.*) mm, .* at most (.*) mm, .* NA ([0-9.]*)\.", text
    )
    assert numbers is not None
    aperture, rho, na = map(float, numbers.groups())
    for section, opening in (
        (OffAxisParaboloid(150, 35, aperture), 0.12),
        (OffAxisParaboloid(rho, 35, 30), 0.12),
        (OPTIC, na),
    ):
        assert not fill_of(collimator_layout(section, 0.1, opening, 660e-6)).overfilled


def test_resolution_uses_up_its_share_of_a_tolerance(demo: Plan) -> None:
    """One step of the planned resolution changes its limiting quantity by a tenth of tolerance."""
    limits = by_quantity(SPEC)
    still = quantities(DEMO)
    for axis in demo.axes:
        moved = quantities(DEMO, {axis.name: axis.resolution})
        change = {q: abs(float(moved[q] - still[q])) / t for q, t in limits.items()}
        assert max(change.values()) == pytest.approx(0.1, rel=0.02), axis.name
        assert max(change, key=lambda q: change[q]) == axis.limited_by


def test_axes_move_the_spot_as_the_plan_says(demo: Plan) -> None:
    """A source 0.1 mm aside puts the far spot where the plan's mm per mm puts it."""
    for axis in demo.axes:
        step = 0.01 if axis.unit == "mm" else 1e-4
        still, moved = quantities(DEMO), quantities(DEMO, {axis.name: step})
        for plane, (dx, dy) in axis.moves.items():
            assert float(moved[f"{plane}.x"] - still[f"{plane}.x"]) == pytest.approx(
                dx * step, rel=1e-2, abs=1e-4
            )
            assert float(moved[f"{plane}.y"] - still[f"{plane}.y"]) == pytest.approx(
                dy * step, rel=1e-2, abs=1e-4
            )


@pytest.mark.slow
def test_capture_range_ends_where_the_spot_leaves_the_view(demo: Plan) -> None:
    """Just inside, the far spot is in view; just beyond, its edge or half its light is gone."""
    for axis in ("source.x", "source.y", "mirror.tilt"):
        for end in capture_range(DEMO, axis, {"near": 60.0, "far": 60.0}):
            for part, inside in ((0.99, True), (1.01, False)):
                found = quantities(DEMO, {axis: end * part})
                edges = [
                    abs(float(found[f"{p}.{q}"])) + float(found[f"{p}.{q}{q}"]) / 2
                    for p in ("near", "far")
                    for q in ("x", "y")
                ]
                assert (max(edges) <= 30) == inside, (axis, end)
    assert capture_range(DEMO, "source.x", {"near": 1.0, "far": 1.0}) == (0.0, 0.0)


def test_travel_makes_up_for_how_parts_stand(demo: Plan) -> None:
    """Travel covers at least what an axis' own part may be off, where nothing else can help."""
    travel = {a.name: a.travel for a in demo.axes}
    assert travel["source.z"] > 3 * 0.5
    assert all(0 < v < 10 for k, v in travel.items() if k.startswith("source"))
    assert all(0 < v < 0.05 for k, v in travel.items() if k.startswith("mirror"))


def test_tolerance_table_falls_from_all_to_few(demo: Plan) -> None:
    """In-spec part falls as settings get worse; at the planned resolution every bench is in."""
    shares = [row.in_spec for row in demo.table]
    assert shares == sorted(shares, reverse=True)
    assert demo.table[1].factor == 1.0
    assert demo.table[1].in_spec == 1.0
    assert demo.table[-1].in_spec < 0.5


@pytest.mark.slow
def test_tolerance_table_of_one_axis_follows_the_normal_law() -> None:
    """One axis with σ equal to its tolerance: 68.3 % inside, within sampling error."""
    limit = {"pointing_y": 1e-4}
    slope = abs(float(quantities(DEMO, {"source.y": 1e-3})["pointing_y"]) - 0.0) / 1e-3
    rows = tolerance_table(
        DEMO, limit, {"source.y": 1e-4 / slope}, np.random.default_rng(3), (1.0,), 1000
    )
    assert rows[0].in_spec == pytest.approx(math.erf(1 / math.sqrt(2)), abs=0.045)
    assert rows[0].used["pointing_y"] == pytest.approx(1.96, abs=0.15)


def test_the_same_seed_gives_the_same_table() -> None:
    """All chance comes from the generator."""
    settings = {"source.x": 0.01}
    tables = [
        tolerance_table(DEMO, SPEC, settings, np.random.default_rng(5), (1.0,), 50)
        for _ in range(2)
    ]
    assert tables[0] == tables[1]


def test_use_of_tolerance_agrees_with_the_specs_own_verdict() -> None:
    """``used`` crosses 1 where :class:`Spec` says out, for the ellipticity and the divergence."""
    found, perfect = quantities(DEMO, {"source.x": 0.1, "source.z": 0.5}), quantities(DEMO)
    share = used(found, perfect, by_term(SPEC))
    amount = math.hypot(float(found["astigmatism_0"]), float(found["astigmatism_45"]))
    assert float(share["ellipticity"]) == pytest.approx(
        (1 - (1 - amount) / (1 + amount)) / 0.015, rel=1e-12
    )
    tensor = np.array(
        [
            [
                float(found["divergence_xx"] - perfect["divergence_xx"]),
                float(found["divergence_xy"]),
            ],
            [
                float(found["divergence_xy"]),
                float(found["divergence_yy"] - perfect["divergence_yy"]),
            ],
        ]
    )
    worst = np.max(np.abs(np.linalg.eigvalsh(tensor)))
    assert float(share["divergence"]) == pytest.approx(worst / 2e-4, rel=1e-9)


def test_tolerances_come_from_specs_and_from_plain_numbers() -> None:
    """Both forms give the same limits; a tolerance of 0 is refused."""
    spec = Spec((PointingTerm("x", 1e-4), DivergenceTerm(2e-4)))
    assert by_term(spec) == {"pointing_x": 1e-4, "divergence": 2e-4}
    assert by_quantity(spec) == by_quantity({"pointing_x": 1e-4, "divergence": 2e-4})
    with pytest.raises(UsageError, match="pointing_x"):
        by_term({"pointing_x": 0.0})


def test_facts_are_labelled_and_fit_into_json(demo: Plan) -> None:
    """Every number a person sees names its unit, and the whole is plain data."""
    facts = json.loads(json.dumps(demo.facts()))
    tilt = next(a for a in facts["axes"] if a["name"] == "mirror.tilt")
    per_mrad = tilt["spot moves (mm per mrad)"]["far"][0]
    assert per_mrad == pytest.approx(demo.axes[4].moves["far"][0] * 1e-3)
    assert facts["divergence of the beam itself, by design (mrad)"] == pytest.approx(2 / 3)
    assert any("source.y" in words for words in facts["invisible to the spec"])


@pytest.mark.slow
def test_other_families_have_plans_too() -> None:
    """A focuser and a pair of fold mirrors: sizes, sharpness, and no advice to enlarge."""
    focus = plan(
        focuser_layout(OffAxisParaboloid(100, 35, 25.4), 6.0, 660e-6),
        {"focus.x": 5e-3, "focus.y": 5e-3, "divergence": 5e-3},
        np.random.default_rng(2),
        view=8.0,
        draws=20,
    )
    assert focus.diameters["focus"][0] == pytest.approx(4 * 660e-6 * 100 / (math.pi * 6), rel=5e-3)
    assert not focus.fill.overfilled
    assert focus.fill.diameter == pytest.approx(6.0)
    fold = plan(
        steering_layout(2.0, 660e-6),
        {"near.x": 0.05, "far.x": 0.05, "near.y": 0.05, "far.y": 0.05},
        np.random.default_rng(2),
        view={"near": 20.0, "far": 20.0},
        draws=20,
    )
    assert fold.optics == ()
    assert fold.invisible == ()
    assert any("may miss a view" in text for text in fold.advice)


@pytest.mark.slow
def test_capture_range_ends_where_half_the_light_is_lost() -> None:
    """With a screen that is never left, the range ends at half the aligned power."""
    low, high = capture_range(DEMO, "source.y", {"near": 1e6, "far": 1e6})
    assert -low == pytest.approx(high, rel=1e-3)
    assert 1 < high < 30
    power = quantities(DEMO)["far.power"]
    assert float(quantities(DEMO, {"source.y": high})["far.power"] / power) == pytest.approx(
        0.5, abs=5e-3
    )


def test_an_ellipticity_limits_the_stretch_to_half_of_it() -> None:
    """At the limit that :func:`by_quantity` gives, the ellipticity has used up its tolerance."""
    limit = by_quantity({"ellipticity": 0.015})["astigmatism_45"]
    found = {"astigmatism_0": np.array(0.0), "astigmatism_45": np.array(limit)}
    assert float(used(found, found, {"ellipticity": 0.015})["ellipticity"]) == pytest.approx(
        1, abs=0.01
    )


def test_what_only_a_meter_can_judge_is_left_out_and_said() -> None:
    """A plan is made for the rest of the spec; with nothing left, or a wrong name, it says so."""
    power = QuantityTerm("pinhole.power", 0.05, 0.99)
    spec = Spec((PointingTerm("x", 1e-4), power))
    made = plan(DEMO, spec, np.random.default_rng(0), draws=8)
    assert made.advice[-1].startswith("pinhole.power is part of the spec")
    with pytest.raises(UsageError, match=r"nothing of the spec can be calculated"):
        plan(DEMO, Spec((power,)), np.random.default_rng(0), draws=8)
    with pytest.raises(UnknownNameError, match=r"no quantity named 'pointing_z'"):
        plan(DEMO, {"pointing_z": 1e-4}, np.random.default_rng(0), draws=8)


def test_a_view_may_be_wider_than_high() -> None:
    """Each direction has its own side: what moves the beam up is lost earlier, sideways not."""
    square = {"near": 60.0, "far": 60.0}
    flat = {"near": (60.0, 45.0), "far": (60.0, 45.0)}
    assert capture_range(DEMO, "source.x", flat) == capture_range(DEMO, "source.x", square)
    assert capture_range(DEMO, "source.y", flat)[1] == pytest.approx(
        capture_range(DEMO, "source.y", {"near": 45.0, "far": 45.0})[1]
    )


def test_a_beam_that_does_not_fit_into_a_view_is_said_so() -> None:
    """Placing parts more closely would not help: that advice is not given."""
    made = plan(DEMO, SPEC, np.random.default_rng(1), view={"near": 60.0, "far": 11.0}, draws=1)
    assert {a.capture for a in made.axes} == {(0.0, 0.0)}
    assert any("does not fit into the view at far" in line for line in made.advice)
    assert not any("view at near" in line or "more closely" in line for line in made.advice)
