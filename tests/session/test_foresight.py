"""A spec that no detector of the bench can ever fill is refused before anything moves."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.adapters import FunctionDetector
from autoalign.core.errors import MissingNeedError
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.run.align import align
from autoalign.spec.feasibility import never_given, never_seen
from autoalign.spec.terms import QuantityTerm, Spec

PLANES = ("near", "far")


@pytest.fixture
def bench_with_camera(make_bench):
    """Return a function that gives a bench with a meter and a camera at the plane named."""

    def make(plane):
        bench = make_bench()
        pixels = np.arange(64, dtype=np.uint16).reshape(8, 8)
        camera = FunctionDetector("cam", plane, lambda: pixels, pitch=0.1, clock=bench.clock)
        layout = collimator_layout(OffAxisParaboloid(150.0, 0.6, 30.0), 0.1, 0.12, 660e-6)
        return replace(bench, detectors={**bench.detectors, "cam": camera}, layout=layout)

    return make


def moved(bench):
    """Return how many commands the bench's stage was given."""
    return len(bench.stages["stage"].log)


@pytest.mark.parametrize(
    ("detectors", "spec", "said"),
    [
        ({"near": "near", "far": "weit"}, Spec.collimation(), "'weit', which the layout does not"),
        ({"near": "near"}, Spec.collimation(), "detectors at two planes; there are some at near"),
        ({"near": "near", "far": "weit"}, Spec((QuantityTerm("fra.x", 1.0),)),
         "detector far is at plane 'weit', which the layout does not have (its planes: near, far)"),
        ({"pd": "", "near": "near"}, Spec((QuantityTerm("power", 1.0),)),
         "the readings of a meter are called <detector>.<name>, and there are: detectors pd, near"),
        ({"cam": "near"}, Spec((QuantityTerm("near.xxx", 1.0),)), "gives only near.x, near.y"),
        ({"cam": "near"}, Spec((QuantityTerm("naer.x", 1.0),)), "Did you mean 'near'?"),
        ({}, Spec((QuantityTerm("pd.power", 1.0),)), "there are: no detectors"),
    ],
)  # fmt: skip
def test_what_no_detector_gives_is_said_in_words(detectors, spec, said):
    """Which quantity, why, and what there is."""
    assert said in never_given(spec, detectors, PLANES)


@pytest.mark.parametrize(
    ("detectors", "quantity"),
    [
        ({"near": "near", "far": "far"}, "astigmatism_45"),
        ({"cam": "near"}, "near.skew_x"),
        ({"pd": "fibre"}, "pd.power"),
        ({"pd": ""}, "pd.anything"),
    ],
)
def test_what_may_be_given_is_not_refused(detectors, quantity):
    """A meter may call its numbers what it likes, and stand where the layout has no plane."""
    assert never_given(Spec((QuantityTerm(quantity, 1.0),)), detectors, PLANES) == ""


def test_a_misspelt_quantity_is_refused_before_the_first_look(make_bench):
    """It used to spend the whole budget on looks that could not be judged."""
    bench = replace(make_bench(), spec=Spec((QuantityTerm("q1", 1.0),)))
    with pytest.raises(MissingNeedError, match=r"needs q1, but .*Nothing was moved\.$"):
        align(bench)
    assert bench.detectors["meter"].measurements == 0
    assert moved(bench) == 0


def test_a_name_that_the_meter_does_not_use_is_refused_after_the_first_look(make_bench):
    """The names that were seen are listed."""
    bench = replace(make_bench(residuals=2), spec=Spec((QuantityTerm("meter.q9", 1.0),)))
    with pytest.raises(MissingNeedError, match=r"it gave: meter\.q0, meter\.q1\. Did you mean"):
        align(bench)
    assert bench.detectors["meter"].measurements == 1
    assert moved(bench) == 0


def test_a_meter_that_says_nothing_yet_is_waited_for(make_bench):
    """Without light it has no numbers; they may come."""
    bench = make_bench(visible=lambda _: False)
    assert not align(bench, budget=4).in_spec
    assert never_seen(bench.spec, {"meter": []}, (), ()) == ""


def test_a_picture_of_a_plane_that_the_layout_does_not_have_is_refused(bench_with_camera):
    """Without its distance it would count as standing at the mirror."""
    bench = bench_with_camera("weit")
    with pytest.raises(MissingNeedError, match=r"plane 'weit', which the layout does not have"):
        align(bench, strategy="response-matrix")
    assert moved(bench) == 0
