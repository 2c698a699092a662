"""The gallery: whoever renders the frames, the page shows them all."""

from __future__ import annotations

import pytest

from autoalign.core.errors import FrameError
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.report import GalleryCase, gallery_cases, write_gallery


@pytest.fixture
def bench(make_gaussian):
    """A nominal layout, and a stand-in for a simulator that remembers what it was asked."""
    layout = collimator_layout(OffAxisParaboloid(150.0, 35.0, 30.0), 0.1, 0.12, 660e-6)
    asked = []

    def render(positions):
        asked.append(dict(positions))
        shift = 2.0 * len(asked) / 13 - 1
        return {p: make_gaussian(centre=(shift, 0.0), plane=p)[0] for p in ("near", "far")}

    return layout, render, asked


def test_every_axis_is_shown_to_both_sides(bench):
    """Aligned first, then plus and minus of each axis, one axis at a time."""
    layout, render, asked = bench
    cases = list(gallery_cases(layout, render))
    assert len(cases) == 1 + 2 * len(layout.motions)
    assert cases[0].label == "aligned"
    assert asked[0] == {}
    for motion in layout.motions:
        amounts = [a[motion.axis] for a in asked if motion.axis in a]
        assert len(amounts) == 2
        assert amounts[0] == -amounts[1] != 0
    assert all(len(a) == 1 for a in asked[1:])
    assert "far: " in cases[1].words


def test_a_frame_that_cannot_be_measured_is_shown_with_its_reason(bench):
    """Dark frames stay in the gallery, flagged, without an ellipse."""
    layout, render, _ = bench

    def measure(frame):
        raise FrameError("frame is dark")

    case = next(iter(gallery_cases(layout, render, measure)))
    assert [p.outline for p in case.pictures] == [None, None]
    assert case.pictures[0].flags == ("frame is dark",)


@pytest.mark.slow
def test_the_page_is_whole_and_ordered_by_family(make_picture, tmp_path, check_page):
    """Two families, hostile names, no words from outside: well formed and self-contained."""
    pair = (make_picture("near"), make_picture("far", centre=(3, 1)))
    cases = [
        GalleryCase("collimator", "aligned", pair),
        GalleryCase("relay <x>", "aligned", pair[:1]),
        GalleryCase("collimator", "source.x +0.5 mm", pair, "far: moves left."),
    ]
    page = check_page(write_gallery(cases, tmp_path / "g" / "gallery.html").read_text("utf-8"))
    assert [page.text.count(w) for w in ("collimator", "relay <x>")] == [1, 1]
    assert page.text.index("moves left") < page.text.index("relay <x>")
    assert len(page.all("img")) == 5
    assert all(a.startswith("data:image/png;base64,") for a in page.addresses)
    assert all("centroid at" in p["alt"] for p in page.all("img"))
