"""Cameras that are hung or connected otherwise than the bench file says: named, not allowed for."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.diagnosis.estimator import mends
from autoalign.diagnosis.hypotheses import TURNS, of_cameras
from autoalign.model.fit import readings_from_profiles
from autoalign.strategies.model import Model

WAYS = {
    "camera-mirrored-left-right": ((-1.0, 0.0), (0.0, 1.0)),
    "camera-mirrored-top-bottom": ((1.0, 0.0), (0.0, -1.0)),
    "camera-turned-right": ((0.0, -1.0), (1.0, 0.0)),
}


@pytest.mark.slow
@pytest.mark.parametrize("way", list(WAYS))
@pytest.mark.parametrize("plane", ["near", "far"])
def test_a_mirrored_camera_is_named_and_ends_the_search(make_bench, run_model, plane, way):
    """No later than at the fourth measurement, and without a memory of what was misread."""
    bench, model = make_bench(2), Model()
    look = bench.look

    def mirrored(x):
        seen = look(x)
        profile = replace(seen.profiles[plane], view=WAYS[way])
        return replace(seen, profiles={**seen.profiles, plane: profile})

    bench.look = mirrored
    run = run_model(bench, model)
    assert [(f.code, f.subject) for f in model.findings][:-1] == [(way, plane)]
    assert run.measurements <= 4
    assert model.knowledge.calibration() is None


@pytest.mark.slow
@pytest.mark.parametrize("seed", [3, 4])
def test_cameras_that_all_hang_upside_down_are_named_together(make_bench, run_model, seed):
    """Neither alone explains what is seen, and no axis is accused in their place."""
    bench, model = make_bench(seed), Model()
    look = bench.look

    def turned(x):
        seen = look(x)
        hung = {p: replace(v, view=((-1.0, 0.0), (0.0, -1.0))) for p, v in seen.profiles.items()}
        return replace(seen, profiles=hung)

    bench.look = turned
    run_model(bench, model)
    named = ["camera-upside-down", "cameras-distrusted"]
    assert [f.code for f in model.findings] == named
    assert model.findings[0].subjects == ("near", "far")
    assert model.distrusts


def test_mending_twice_changes_nothing(make_bench):
    """A mirror image of a mirror image is the look itself, readings and covariance; so are a
    quarter turn and one back."""
    bench = make_bench(1)
    look = readings_from_profiles(("near", "far"), bench.start, bench.look(bench.start).profiles)
    expected = np.stack([look.moments[0], look.moments[1]])
    planes = ("near", "far")
    hung = [h for h in of_cameras(planes) if h.turns]
    back = {k: np.linalg.inv(v) for k, v in TURNS.items()}
    assert len(hung) == 7 * 2 + 7 + 42  # each way for near and far, both alike, each its own way
    for hypothesis in hung:
        (mend,) = mends(hypothesis, planes, look, expected)
        codes = {p: code for code, names in hypothesis.codes for p in names}
        undo = replace(hypothesis, turns={p: back[code] for p, code in codes.items()})
        (unmend,) = mends(undo, planes, look, expected)
        once = mend(look)
        again = unmend(once)
        assert any(not np.allclose(once.moments[k], look.moments[k]) for k in (0, 1))
        for k in (0, 1):
            assert np.allclose(again.moments[k], look.moments[k])
            assert np.allclose(again.covariance[k], look.covariance[k])


def test_exchanged_cameras_with_the_right_pitches_explain_each_other(make_bench):
    """Readings of exchanged cameras, mended with the stretch 1, are the true ones."""
    bench = make_bench(1)
    true = readings_from_profiles(("near", "far"), bench.start, bench.look(bench.start).profiles)
    q = 0.5
    orders = np.array([1, 1, 2, 2, 2, 3, 3, 3, 3])
    moments = {0: true.moments[1] * q**orders, 1: true.moments[0] / q**orders}
    wrong = replace(true, moments=moments)
    expected = np.stack([true.moments[0], true.moments[1]])
    planes = ("near", "far")
    (swapped,) = (h for h in of_cameras(planes) if h.exchanged)
    gaps = [
        max(np.abs(mend(wrong).moments[k] / true.moments[k] - 1).max() for k in (0, 1))
        for mend in mends(swapped, planes, wrong, expected)
    ]
    assert min(gaps) < 1e-9
