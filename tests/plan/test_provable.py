"""What a spec can never be shown to be is said first, and is not searched for."""

from __future__ import annotations

import re
from dataclasses import replace

import pytest
from autoalign_simulators import benches

from autoalign import align
from autoalign.config import example, read_bench_file
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.plan.provable import unprovable
from autoalign.session import Status
from autoalign.spec.terms import Spec, WavefrontTerm

LAYOUT = collimator_layout(OffAxisParaboloid(101.6, 90.0, 25.4), 0.1, 0.1, 633e-6)
SPEC = Spec.collimation(1e-4, 3e-4, 0.02, source_divergence=0.1 / 101.6, waist=101.6)
GOOD = {"pitch": 0.001, "fiducial": 0.01, "distance": 0.002}


def test_a_bench_that_states_little_uncertainty_can_prove_its_spec():
    """Nothing is found; without a guard band nothing ever is."""
    assert unprovable(LAYOUT, SPEC, GOOD) == ()
    assert unprovable(LAYOUT, replace(SPEC, guard=0.0), {"fiducial": 5.0}) == ()
    assert unprovable(None, SPEC, GOOD) == ()


def test_a_fiducial_known_too_poorly_is_named_with_what_would_do():
    """0.2 mm over 2 m is 0.23 mrad of guard band: it is named, and the figures suffice."""
    found = unprovable(LAYOUT, SPEC, {**GOOD, "fiducial": 0.2})
    assert [f.subject for f in found] == ["pointing_x", "pointing_y"]
    (first, _) = found
    assert first.details["what"] == "fiducial"
    assert re.search(r"fiducial must be known to [\d.]+ mm \(stated: 0\.20 mm\)", str(first))
    needed = first.numbers["needed"].value
    assert unprovable(LAYOUT, SPEC, {**GOOD, "fiducial": needed}) == ()
    wide = first.numbers["needed_tolerance"].value
    wider = Spec.collimation(wide, 3e-4, 0.02, source_divergence=0.1 / 101.6, waist=101.6)
    assert unprovable(LAYOUT, wider, {**GOOD, "fiducial": 0.2}) == ()


def test_a_stated_screen_tilt_counts_into_the_guard_band():
    """A tilt stretches one direction; on a wide beam that is a divergence."""
    wide = collimator_layout(OffAxisParaboloid(600.0, 30.0, 110.0), 0.1, 0.09, 633e-6)
    spec = Spec.collimation(1e-4, 1e-4, 0.02, source_divergence=0.1 / 600.0, waist=600.0)
    exact = {"pitch": 1e-6}
    assert unprovable(wide, spec, exact) == ()
    (found,) = unprovable(wide, spec, {**exact, "tilt": 0.06})
    assert found.subject == "divergence"
    assert found.details["what"] == "tilt"


def test_a_wavefront_that_one_measurement_cannot_show_is_named():
    """λ/14 by two cameras whose pitch is known to 1 % is out of reach; two waves are not."""
    tight = replace(SPEC, terms=(*SPEC.terms, WavefrontTerm(1 / 14)))
    assert [f.subject for f in unprovable(LAYOUT, tight, GOOD)] == ["wavefront"]
    loose = replace(SPEC, terms=(*SPEC.terms, WavefrontTerm(5.0)))
    assert unprovable(LAYOUT, loose, GOOD) == ()


@pytest.mark.parametrize("name", ["demo", "focuser", "own-bench", "relay", "steering"])
def test_every_example_can_prove_its_own_spec(name):
    """A bench file that is shipped never asks for more than it states."""
    file = read_bench_file(example(name))
    known = {k: q.value for k, q in file.tables.uncertainties.items()}
    assert unprovable(file.layout, file.spec, known) == ()


def test_align_moves_nothing_where_the_spec_can_never_be_shown():
    """It ends after one measurement and says what would do; best effort ends at a good place."""
    bench = benches.collimator(seed=3)
    bench.uncertainties = {**bench.uncertainties, "near.fiducial": 0.3, "far.fiducial": 0.3}
    refused = align(bench, seed=3)
    assert (refused.status, refused.measurements, refused.moves) == (Status.UNPROVABLE, 1, 0)
    assert "fiducial must be known to" in refused.reason
    assert "--best-effort" in refused.reason
    tried = align(bench, seed=3, best_effort=True)
    assert tried.status is Status.BEST_EFFORT
    assert not tried.in_spec
    assert tried.measurements <= 6
    true = bench.spec.evaluate(bench.truth.parameters())
    assert all(abs(t.deviation) <= t.tolerance for t in true.terms)
