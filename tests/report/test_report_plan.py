"""The drawing of a bench: to scale, complete, and in the right sense."""

from __future__ import annotations

import math

import numpy as np
import pytest

from autoalign.optics.layout import Beam, Element, Flat, Layout, Motion, Plane
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.report import draw_plan
from autoalign.report.bench_rays import box_around, chief_points, side_view, top_view, trace_fan
from autoalign.report.plan_drawing import plan_figure
from autoalign.report.plan_labels import Labels
from autoalign.report.style import new_figure

OPTIC = OffAxisParaboloid(150.0, 35.0, 30.0)


def collimator(near: float = 400.0, far: float = 2400.0) -> Layout:
    """Return the made-up spectrometer's input arm."""
    return collimator_layout(OPTIC, 0.1, 0.12, 660e-6, (("near", near), ("far", far)))


def steering() -> Layout:
    """Return two folds: the beam along z, then along x, then along z again."""
    s = math.sqrt(0.5)
    # Columns: x, y and the normal, which halves the angle between −incoming and outgoing.
    first = ((-s, 0.0, s), (0.0, 1.0, 0.0), (-s, 0.0, -s))
    second = ((s, 0.0, -s), (0.0, 1.0, 0.0), (s, 0.0, s))
    pivots = {"first": (0.0, 0.0, 0.0), "second": (200.0, 0.0, 0.0)}
    return Layout(
        "steering",
        Beam(3.0, 633e-6, (0.0, 0.0, -300.0), (0.0, 0.0, 1.0)),
        (
            Element("first", Flat(25.4), pivots["first"], first),
            Element("second", Flat(25.4), pivots["second"], second),
        ),
        (Plane("near", 300.0), Plane("far", 1500.0)),
        tuple(
            Motion(f"{part}.{name}", part, "turn", line, pivot)
            for part, pivot in pivots.items()
            for name, line in (("tip", (1.0, 0.0, 0.0)), ("tilt", (0.0, 1.0, 0.0)))
        ),
    )


def texts(figure) -> list[str]:
    """Return every text in the figure, sub-figures included."""
    return [t.get_text() for t in figure.findobj(lambda a: hasattr(a, "get_text"))]


def test_the_views_are_right_handed():
    """Right × up points to the viewer: above the bench for the top view."""
    for along_x in (False, True):
        assert np.allclose(top_view(along_x).toward, [0, 1, 0])
        assert abs(side_view(along_x).toward[1]) < 1e-12


def test_the_chief_ray_visits_every_station():
    """Source, mirror and planes of the nominal bench, and the legs between two folds."""
    points = chief_points(collimator())
    assert np.allclose(points[0], OPTIC.focus)
    assert np.allclose(points[1:], [[0, 0, 0], [0, 0, 400], [0, 0, 2400]], atol=1e-9)
    folded = chief_points(steering())
    assert np.allclose(
        folded[1:], [[0, 0, 0], [200, 0, 0], [200, 0, 300], [200, 0, 1500]], atol=1e-9
    )


@pytest.mark.common_practice
def test_an_overfilled_mirror_gives_a_fan_as_wide_as_itself():
    """The beam is then as wide as the aperture, near and far."""
    fan = trace_fan(collimator_layout(OPTIC, 0.1, 0.3, 660e-6), 0)
    assert fan.overfills
    for station in fan.points[1:]:
        assert math.isclose(np.ptp(station[:, 0]), 30.0, abs_tol=0.01)


def test_a_narrow_source_gives_the_cone_of_its_na():
    """Footprint radius 2f sin ψ/(cos α + cos ψ) with sin ψ = NA (derived here)."""
    fan = trace_fan(collimator_layout(OPTIC, 0.1, 0.05, 660e-6), 1)
    assert not fan.overfills
    f, na = OPTIC.parent_focal_length, 0.05
    radius = 2 * f * na / (math.cos(OPTIC.off_axis_angle) + math.sqrt(1 - na**2))
    assert math.isclose(np.ptp(fan.points[-1][:, 1]) / 2, radius, rel_tol=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("layout", [collimator(), collimator(120, 300), steering()])
def test_the_detail_is_drawn_to_scale_and_holds_the_bench(layout):
    """One mm is as long to the right as upwards; every element and the source are inside."""
    figure = plan_figure(layout)
    figure.canvas.draw()
    charts = figure.findobj(lambda a: hasattr(a, "get_xlim"))
    details = [a for a in charts if "to scale" in a.get_title("left")]
    assert len(details) >= 2
    for axes in details:
        (x0, y0), (x1, y1) = axes.transData.transform([[0, 0], [1, 1]])
        assert math.isclose(x1 - x0, y1 - y0, rel_tol=1e-6)
        view = side_view() if "side" in axes.get_title("left") else top_view()
        inside = box_around([view(chief_points(layout)[: 1 + len(layout.elements)])]).grown(1.0)
        assert axes.get_xlim()[0] < inside.left < inside.right < axes.get_xlim()[1]
        assert axes.get_ylim()[0] < inside.bottom < inside.top < axes.get_ylim()[1]


@pytest.mark.slow
def test_axes_planes_and_distances_are_named():
    """Every axis with its sense, every plane, ρ and both distances with their unit."""
    shown = texts(plan_figure(collimator(), ["travel needed: 1.2 mm"]))
    names = [m.axis for m in collimator().motions]
    for words in [*(f"{n} +" for n in names), "near", "far", "150 mm", "400 mm", "2400 mm"]:
        assert words in shown
    assert any("travel needed: 1.2 mm" in t for t in shown)


@pytest.mark.slow
@pytest.mark.parametrize("far", [300.0, 2400.0, 60_000.0])
def test_long_and_short_benches_are_drawn(far, tmp_path):
    """Planes close by, far away, and so far that heights are stretched, which is then said."""
    layout = collimator(far / 3, far)
    assert draw_plan(layout, tmp_path / "plan.png").stat().st_size > 30_000
    stretched = any("vertical scale ×" in t for t in texts(plan_figure(layout)))
    assert stretched == (far == 60_000.0)


def test_names_do_not_cover_each_other():
    """Six names asked for at one place end up on six places, none over another, inside the axes."""
    figure = new_figure(5, 4)
    axes, labels = figure.add_subplot(), Labels()
    for k in range(6):
        labels.ask(f"axis number {k}", np.array([0.5, 0.5]), (0.0, 5.0), "#000000")
    labels.keep_clear(np.array([0.5, 0.5]), "150 mm", 30.0)
    figure.draw_without_rendering()
    labels.place(axes)
    figure.canvas.draw()
    boxes = [t.get_window_extent() for t in axes.texts]
    assert len(boxes) == 6
    for k, one in enumerate(boxes):
        assert not any(one.overlaps(other) for other in boxes[k + 1 :])
        assert one.x0 >= axes.bbox.x0 - 2
        assert one.x1 <= axes.bbox.x1 + 2


def test_the_pictures_names_stay_apart_on_every_family():
    """On the collimator's drawing no two axis or plane names cover each other."""
    figure = plan_figure(collimator())
    figure.canvas.draw()
    for axes in figure.findobj(lambda a: hasattr(a, "get_xlim")):
        names = [t for t in axes.texts if t.get_fontweight() == "bold"]
        boxes = [t.get_window_extent() for t in names]
        for k, one in enumerate(boxes):
            assert not any(one.overlaps(other) for other in boxes[k + 1 :])
