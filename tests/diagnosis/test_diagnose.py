"""Diagnosis of a traced, misaligned section: which way it is off, by how much, what stays open."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest

from autoalign.beam.combine import combine
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.errors import UsageError
from autoalign.diagnosis.from_pictures import diagnose
from autoalign.diagnosis.remarks import remarks

RHO, ALPHA, APERTURE = 150.0, math.radians(35), 30.0
DISTANCES = {"near": 400.0, "far": 2400.0}


def turned(axis, angle):
    """Return the rotation about ``axis`` by ``angle`` (Rodrigues)."""
    x, y, z = axis
    k = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + math.sin(angle) * k + (1 - math.cos(angle)) * k @ k


def traced(t=0.0, s=0.0, focus=0.0, tilt=0.0, tilt_out=0.0):
    """Trace a cone of rays exactly; return profiles at both planes with 1e-3 of noise.

    ``tilt`` about the axis across the plane of incidence that turns the beam towards +x,
    ``tilt_out`` about the mirror's in-plane tangent that turns it up.
    """
    f, h = RHO * (1 + math.cos(ALPHA)) / 2, RHO * math.sin(ALPHA)
    sideways = np.array([math.cos(ALPHA), 0, math.sin(ALPHA)])
    chief = np.array([math.sin(ALPHA), 0, -math.cos(ALPHA)])
    source = -RHO * chief + t * sideways + np.array([0, s, 0]) + focus * chief
    rings = np.sqrt((np.arange(24) + 0.5) / 24) * math.tan(math.asin(0.085))
    spokes = np.arange(48) * 2 * math.pi / 48
    a, b = (np.outer(rings, fn(spokes)).ravel() for fn in (np.cos, np.sin))
    ray = chief + a[:, None] * sideways + b[:, None] * np.array([0.0, 1.0, 0.0])
    ray /= np.linalg.norm(ray, axis=1)[:, None]
    tangent = np.array([math.cos(ALPHA / 2), 0, math.sin(ALPHA / 2)])
    mirror = turned((0, 1, 0), tilt) @ turned(tangent, -tilt_out)
    p, d = source @ mirror, ray @ mirror
    qa = d[:, 0] ** 2 + d[:, 1] ** 2
    qb = p[0] * d[:, 0] + p[1] * d[:, 1] + h * d[:, 0] - 2 * f * d[:, 2]
    qc = p[0] ** 2 + p[1] ** 2 + 2 * h * p[0] - 4 * f * p[2]
    root = np.sqrt(qb**2 - qa * qc)
    way = -qc / (qb + root)
    hit = p + way[:, None] * d
    normal = np.column_stack([hit[:, 0] + h, hit[:, 1], -2 * f * np.ones(len(hit))])
    normal /= np.linalg.norm(normal, axis=1)[:, None]
    out = d - 2 * np.sum(d * normal, axis=1)[:, None] * normal
    hit, out = hit @ mirror.T, out @ mirror.T
    return {name: seen(hit, out, z) for name, z in DISTANCES.items()}


def seen(hit, out, z, u=1e-3):
    """Return the profile of the rays at ``z``, moments with relative uncertainty ``u``."""
    x, y = (hit + ((z - hit[:, 2]) / out[:, 2])[:, None] * out).T[:2]
    cx, cy = x.mean(), y.mean()
    dx, dy = x - cx, y - cy
    second = [np.mean(dx * dx), np.mean(dy * dy), np.mean(dx * dy)]
    third = [np.mean(v) for v in (dx**3, dx * dx * dy, dx * dy * dy, dy**3)]
    size = second[0]
    scales = np.array([0.01, 0.01, u * size, u * size, u * size, *4 * [u * size**1.5]])
    return BeamProfile(
        np.array([cx, cy, *second, *third]), np.diag(scales**2), 1.0, 0.0, 0.0, 0.0, 1.0
    )


def found(profiles, **options):
    """Return the diagnosis and its findings by name."""
    parameters = combine(profiles, DISTANCES)
    told = diagnose(parameters, reflected_focal_length=RHO, off_axis_angle=ALPHA, **options)
    return told, {f.name: f for f in told.findings}


def test_an_aligned_bench_has_nothing_wrong():
    """Every finding is indistinguishable from right."""
    told, by_name = found(traced())
    for f in by_name.values():
        assert abs(f.value) < 2 * f.uncertainty
        assert "aligned within ±" in f.sentence
    assert len(told.cannot_tell) == 3


@pytest.mark.parametrize("focus", [-1.0, 1.0])
def test_a_focus_error(focus):
    """A source 1 mm too close makes a large beam at the far screen, and is named as too close."""
    _, by_name = found(traced(focus=focus))
    f = by_name["defocus"]
    assert f.value == pytest.approx(focus, rel=0.08)
    assert ("too close" if focus > 0 else "too far") in f.sentence
    assert f.confidence > 0.999


@pytest.mark.parametrize(
    "truth",
    [
        {"t": 0.5},
        {"t": -0.4, "tilt": 1e-3},
        {"tilt": 2e-3},
        {"s": 0.5},
        {"s": -0.3, "tilt_out": 1e-3, "t": 0.2},
    ],
)
def test_source_and_tilt_are_told_apart(truth):
    """Source and mirror errors, in plane and out of plane, each with its sign and amount."""
    _, by_name = found(traced(**truth))
    out_of_plane = truth.get("tilt_out", 0.0) * math.cos(ALPHA / 2)
    expected = {
        "source in plane": truth.get("t", 0.0),
        "mirror tilt in plane": truth.get("tilt", 0.0),
        "source out of plane": truth.get("s", 0.0),
        "mirror tilt out of plane": out_of_plane,
    }
    for name, value in expected.items():
        f = by_name[name]
        tolerance = 3 * f.uncertainty + 0.08 * abs(value) + 0.02 * (1.0 if f.unit == "mm" else 1e-3)
        assert abs(f.value - value) < tolerance, (f, value)


def test_words_put_the_surest_first():
    """The sentences are in order of confidence and end with what cannot be told."""
    told, _ = found(traced(focus=2.0, t=0.05), clear_aperture=APERTURE)
    words = told.words()
    assert words[0].startswith("Defocus: the source is 1.95 ± 0.012 mm too close")
    assert words[-3:] == told.cannot_tell
    assert any("filled" in w for w in words)


def flagged(profile, *kinds, use=Use.ALL):
    """Return the profile with flags of these kinds."""
    return replace(profile, flags={k.value: Flag(k, "test", use) for k in kinds})


def test_fill_is_judged_by_all_planes():
    """An edge at every plane, an edge that comes later, none at all, and no whole beam."""
    profiles = traced()
    edge = FlagKind.CLIPPED_BY_APERTURE
    cut = {p: flagged(v, edge) for p, v in profiles.items()}
    assert "overfilled: the beam has a hard edge at every plane" in found(cut)[0].fill
    later = profiles | {"far": cut["far"]}
    assert "clipped after the mirror, not by it" in found(later)[0].fill
    assert "underfilled: no hard edge at near, far" in found(profiles, clear_aperture=60.0)[0].fill
    assert "just filled" in found(profiles, clear_aperture=27.0)[0].fill
    assert "wider than the aperture of the mirror" in found(profiles, clear_aperture=15.0)[0].fill
    assert "without its clear aperture" in found(profiles)[0].fill
    dark = {p: flagged(v, FlagKind.SATURATED, use=Use.POSITION) for p, v in profiles.items()}
    assert "no frame shows the whole beam" in found(dark)[0].fill
    near_bad = profiles | {"near": dark["near"], "far": cut["far"]}
    assert "overfilled: the beam has a hard edge at far" in found(near_bad)[0].fill


def test_every_flag_is_a_finding_with_what_to_do():
    """Each kind is named with its plane and its evidence; only hot pixels need no action."""
    for kind in FlagKind:
        (remark,) = remarks({"far": flagged(traced()["far"], kind, use=Use.POSITION)})
        assert remark.sentence.startswith(f"far: {kind}: test. The centre is usable")
        assert (len(remark.sentence.split(". ")) > 2) == (kind is not FlagKind.HOT_PIXELS)


@pytest.mark.parametrize("use", [Use.POSITION, Use.DIRECTION])
def test_planes_without_widths_still_tell_the_direction(use):
    """Pointing remains, with both ways of putting it right, and the side where a beam was cut."""
    profiles = traced(tilt=2e-3)
    flag = Flag(FlagKind.CLIPPED_BY_SENSOR, "right 30.0%", use)
    profiles["far"] = replace(profiles["far"], flags={flag.kind.value: flag})
    told, by_name = found(profiles, clear_aperture=APERTURE)
    assert not by_name
    # A mirror turned by w turns the beam by 2 w (law of reflection: E. Hecht, Optics, 4th ed.,
    # section 4.3, from memory).
    assert any("points at least 4 mrad to the right (+x)" in w for w in told.remains), told.remains
    assert any("mirror is turned by 2 mrad" in w for w in told.remains)
    assert any("At far the beam is too far to the right (+x)" in w for w in told.remains)
    assert any("Defocus and astigmatism cannot be determined" in w for w in told.words())
    assert told.words()[0].startswith("far: clipped by the sensor: right 30.0%.")


def test_one_plane_alone():
    """Where it stands is said, and that where it points cannot be told."""
    parameters = combine({"near": traced(tilt=2e-3)["near"]}, DISTANCES)
    told = diagnose(parameters, reflected_focal_length=RHO, off_axis_angle=ALPHA)
    assert told.remains[0].startswith("Only near is left: the beam is at (")
    assert "One plane does not show where it points" in told.remains[0]


def test_an_optic_that_is_none():
    """A focal length of nothing is refused."""
    parameters = combine(traced(), DISTANCES)
    with pytest.raises(UsageError, match="must be larger than 0"):
        diagnose(parameters, reflected_focal_length=0.0, off_axis_angle=ALPHA)
