"""Planes to quality: definitions, identities, and derivatives against finite differences."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use, matrix, root, stretch
from autoalign.core.errors import UsageError

DISTANCES = {"near": 400.0, "far": 2400.0}


def profile(moments, flags=None, seed=0, **changes):
    """Return a profile with a random positive covariance of some 1e-3 relative."""
    rng = np.random.default_rng(seed)
    a = rng.normal(size=(9, 9)) * 1e-3
    given = {
        "moments": np.asarray(moments, dtype=float), "covariance": a @ a.T, "power": 1e6,
        "power_uncertainty": 10.0, "background": 5.0, "noise": 1.0, "peak": 100.0,
        "flags": flags or {},
    }  # fmt: skip
    return BeamProfile(**(given | changes))


NEAR = [0.1, -0.2, 2.0, 1.5, 0.1, 0.05, 0.0, 0.01, -0.1]
FAR = [0.5, 0.3, 2.4, 1.4, 0.3, 0.2, 0.0, 0.03, -0.2]


def both(near=NEAR, far=FAR, **options):
    """Return the quality of the two planes."""
    profiles = {"near": profile(near), "far": profile(far, seed=1)}
    return combine(profiles, DISTANCES, **options)


def test_definitions_of_the_quantities():
    """Every quantity is what the docstring of ``parameters`` says, worked out by other means."""
    q = both()
    near, far = matrix(np.array(NEAR[2:5])), matrix(np.array(FAR[2:5]))
    w, v = np.linalg.eigh(near)
    s_near = 4 * (v * np.sqrt(w)) @ v.T
    w, v = np.linalg.eigh(far)
    s_far = 4 * (v * np.sqrt(w)) @ v.T
    assert q["near.xx"] == pytest.approx(s_near[0, 0])
    assert q["far.xy"] == pytest.approx(s_far[0, 1])
    assert q["pointing_x"] == pytest.approx(0.4 / 2000)
    assert np.allclose(q.divergence_tensor, (s_far - s_near) / 2000)
    assert q["near.skew_x"] == pytest.approx(0.05 / 2.0**1.5)
    assert q["near.skew_y"] == pytest.approx(-0.1 / 1.5**1.5)
    assert q["far.power"] == 1e6
    m, _, _ = stretch(np.array(NEAR[2:5]), np.array(FAR[2:5]))
    assert np.allclose(matrix(m) @ near @ matrix(m), far)
    assert q["astigmatism_0"] == pytest.approx((m[0] - m[1]) / (m[0] + m[1]))
    assert q["astigmatism_45"] == pytest.approx(2 * m[2] / (m[0] + m[1]))


def test_covariance_is_that_of_finite_differences():
    """The analytic derivatives agree with central differences of the whole chain."""
    q = both()
    profiles = {"near": profile(NEAR), "far": profile(FAR, seed=1)}
    columns = []
    for plane, seen in profiles.items():
        for k in range(9):
            shifted = []
            for sign in (1, -1):
                moments = seen.moments.copy()
                moments[k] += sign * 1e-5
                changed = profiles | {plane: replace(seen, moments=moments)}
                shifted.append(combine(changed, DISTANCES).values)
            columns.append((shifted[0] - shifted[1]) / 2e-5)
    jacobian = np.array(columns).T
    block = np.zeros((18, 18))
    block[:9, :9], block[9:, 9:] = profiles["near"].covariance, profiles["far"].covariance
    expected = jacobian @ block @ jacobian.T
    power = np.isin(q.names, ["near.power", "far.power"])
    keep = np.ix_(~power, ~power)
    assert np.allclose(q.covariance[keep], expected[keep], rtol=1e-5, atol=1e-16)


def test_calibration_terms_reach_the_quantities():
    """Pitch scales widths and divergence together; distance enters pointing as −value/L."""
    plain = both()
    q = both(u_pitch={"far": 0.01}, u_distance={"far": 20.0}, u_origin=0.5)
    assert q.u("far.xx") ** 2 - plain.u("far.xx") ** 2 == pytest.approx((0.01 * q["far.xx"]) ** 2)
    assert q.u("near.xx") == plain.u("near.xx")
    extra = q.u("pointing_x") ** 2 - plain.u("pointing_x") ** 2
    parts = (0.005 / 2000) ** 2, 2 * (0.5 / 2000) ** 2, (q["pointing_x"] * 20 / 2000) ** 2
    assert extra == pytest.approx(sum(parts))


@pytest.mark.parametrize("plane", ["near", "far"])
def test_either_plane_may_stand_elsewhere(plane):
    """Each distance alone adds (value · u/L)² to pointing and divergence, with one sign for all."""
    added = both(u_distance={plane: 20.0}).covariance - both().covariance
    q = both()
    names = [n for n in q.names if n.startswith(("pointing", "divergence"))]
    places = [q.index(n) for n in names]
    slopes = q.values[places] * 20 / 2000
    assert np.allclose(added[np.ix_(places, places)], np.outer(slopes, slopes), rtol=1e-9, atol=0)
    assert np.count_nonzero(np.abs(added) > 1e-16) == np.count_nonzero(np.outer(slopes, slopes))


@pytest.mark.parametrize("view", [((1.0, 0.0), (0.0, -1.0)), ((0.6, 0.8), (-0.8, 0.6))])
def test_columns_and_rows_may_differ_in_pitch(view):
    """u_pixel_aspect adds what stretching columns and rows, by 1/√2 of it each, does."""
    columns, rows = (1, 0, 2, 0, 1, 3, 2, 1, 0), (0, 1, 0, 2, 1, 0, 1, 2, 3)
    far = profile(FAR, seed=1, view=view)

    def combined(change=0.0, **known):
        stretched = replace(far, moments=far.moments * (1 + change))
        return combine({"near": profile(NEAR), "far": stretched}, DISTANCES, **known)

    step = 1e-5
    slopes = [
        (combined(step * np.array(k)).values - combined(-step * np.array(k)).values) / (2 * step)
        for k in (columns, rows)
    ]
    added = combined(u_pixel_aspect={"far": 0.01}).covariance - combined().covariance
    expected = sum(np.outer(s, s) for s in slopes) * 0.01**2 / 2
    assert np.allclose(added, expected, rtol=1e-4, atol=1e-12)
    assert np.max(expected) > 1e-6


def test_a_camera_may_be_turned_about_the_beam():
    """u_roll adds to every quantity what turning the far camera by it does."""
    angle = 1e-5
    c, s = np.cos(angle), np.sin(angle)
    straight = profile(FAR, seed=1)
    turned = replace(straight, view=((c, -s), (s, c)))
    slopes = [
        combine({"near": profile(NEAR), "far": far}, DISTANCES).values for far in (turned, straight)
    ]
    slope = (slopes[0] - slopes[1]) / angle
    added = both(u_roll={"far": 0.02}).covariance - both().covariance
    assert np.allclose(added, np.outer(slope, slope) * 0.02**2, rtol=1e-3, atol=1e-9)
    assert np.max(np.abs(added)) > 1e-5


def test_the_planes_axes_are_used():
    """A camera that looks in a mirror gives the same quantities once its view is told."""
    view = ((-1.0, 0.0), (0.0, -1.0))
    flipped = [-v if k in (0, 1, 5, 6, 7, 8) else v for k, v in enumerate(NEAR)]
    profiles = {"near": profile(flipped, view=view), "far": profile(FAR, seed=1)}
    assert np.allclose(combine(profiles, DISTANCES).values, both().values)


def flagged(use):
    """Return one flag that leaves ``use``."""
    return {"x": Flag(FlagKind.SATURATED, "test", use)}


@pytest.mark.parametrize("use", [Use.POSITION, Use.DIRECTION])
def test_position_only_leaves_out_the_widths(use):
    """Centroid and pointing stay, widths, divergence and stretch go."""
    q = combine({"near": profile(NEAR), "far": profile(FAR, flagged(use))}, DISTANCES)
    assert {"far.x", "far.y", "pointing_x", "near.xx"} <= set(q.names)
    assert not {"far.xx", "divergence_xx", "astigmatism_0", "far.power"} & set(q.names)


def test_good_for_nothing_leaves_out_the_plane():
    """Of a dark far plane nothing is said; the near plane is still there."""
    q = combine({"near": profile(NEAR), "far": profile(FAR, flagged(Use.NOTHING))}, DISTANCES)
    assert "near.xx" in q
    assert not [n for n in q.names if n.startswith(("far", "pointing", "divergence", "stretch"))]
    assert q.flags["far"][0].use is Use.NOTHING


def test_three_planes_use_the_ends():
    """Pointing comes from the first and the last plane in order of distance."""
    middle = profile([9.0, 9.0, *NEAR[2:]])
    profiles = {"far": profile(FAR, seed=1), "mid": middle, "near": profile(NEAR)}
    q = combine(profiles, DISTANCES | {"mid": 1000.0})
    assert q["pointing_x"] == both()["pointing_x"]
    assert q["mid.x"] == 9.0


def test_readings_become_quantities():
    """A power meter's number stands beside the others, uncorrelated with them."""
    q = combine({"near": profile(NEAR)}, DISTANCES, readings={"meter.power": (3.0, 0.1)})
    assert (q["meter.power"], q.u("meter.power")) == (3.0, pytest.approx(0.1))
    with pytest.raises(UsageError, match="names of other"):
        combine({"near": profile(NEAR)}, DISTANCES, readings={"near.x": (3.0, 0.1)})


def test_mistakes_are_named():
    """A plane without a distance and two planes at one place are refused."""
    with pytest.raises(UsageError, match="no distance for plane far"):
        combine({"far": profile(FAR)}, {})
    with pytest.raises(UsageError, match="at the same distance"):
        combine({"a": profile(NEAR), "b": profile(FAR)}, {"a": 1.0, "b": 1.0})


def test_root_squares_to_the_matrix():
    """√C · √C = C."""
    c = np.array([2.0, 0.5, -0.4])
    s = matrix(root(c)[0])
    assert np.allclose(s @ s, matrix(c))
