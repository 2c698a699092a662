"""One look at a simulated bench of each family: the planted axis, its side, its amount, its doubt.

The benches have every everyday effect (scale, direction, pivot and play of the axes, screens,
uneven light, figure, noise), none of which the reading knows.
"""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from autoalign_simulators import collimator, focuser, relay, steering

from autoalign.beam import average, measure_beam
from autoalign.beam.combine import stated
from autoalign.core.frames import Frame
from autoalign.diagnosis.estimator import Knowledge
from autoalign.diagnosis.misalignment import read_misalignment

BENCH_TYPES = {"collimator": collimator, "focuser": focuser, "relay": relay, "steering": steering}

PLANTED = [
    ("collimator", "source.x", 0.3),
    ("collimator", "source.x", -1.0),
    ("collimator", "source.y", 0.4),
    ("collimator", "source.z", 0.5),
    ("collimator", "mirror.tilt", 2e-3),
    ("collimator", "mirror.clocking", 5e-3),
    ("steering", "first.tip", 1e-3),
    ("steering", "second.tilt", -1e-3),
    ("focuser", "mirror.z", 0.5),
    ("focuser", "mirror.clocking", 3e-3),
    ("relay", "source.z", 0.3),
    ("relay", "source.x", 0.1),
]


def looked_at(kind, hidden, seed=0):
    """Return a bench with just these misalignments, and the profiles of one look at it."""
    module = BENCH_TYPES[kind]
    bench = module.simulate(seed, hidden={**dict.fromkeys(module.START, 0.0), **hidden}).bench()
    profiles = {}
    for detector in bench.detectors.values():
        now = bench.clock.now()
        frames = [e for e in detector.acquire(1, now, now + 60) if isinstance(e, Frame)]
        if frames:
            profiles[detector.plane] = average([measure_beam(f) for f in frames])
    return bench, profiles


def read(bench, profiles):
    """Read the misalignment of the free axes."""
    axes = list(bench.free_axes.values())
    know = Knowledge(bench.layout, axes, bench.spec, bench.uncertainties)
    here = np.array([bench.positions()[a.name] for a in axes])
    know.learn(here, profiles)
    planes = {p.name: p.distance for p in bench.layout.planes}
    return read_misalignment(know, here, stated(bench.uncertainties, planes))


def readings_of(found, axis):
    """Return what is said of ``axis``: alone where that is sure, else as one of several choices."""
    if found[axis].sure:
        return [found[axis]]
    choices = [r for share in found.shares for choice in share.choices for r in choice]
    return [r for r in choices if r.axis == axis]


def helps(bench, found):
    """Whether doing what the reading says brings the truth to half its merit, or close to its spec.

    Not to nothing: the axes go astray by 2°, in a focuser by several of its 5 µm.
    """
    moves = {r.axis: -r.amount for r in found.axes if r.sure}
    moves |= {r.axis: -r.amount for share in found.shares for r in share.choices[0]}
    here = bench.truth.positions()
    there = {a: p + moves.get(a, 0.0) for a, p in here.items()}
    terms = tuple(t for t in bench.spec.terms if "power" not in t.name)
    spec = replace(bench.spec, terms=terms)
    before, after = (bench.truth.verdict(spec, at).merit for at in (here, there))
    return after < before and (after < 0.5 * before or after < 2)


@pytest.mark.slow
@pytest.mark.parametrize(("kind", "axis", "amount"), PLANTED)
def test_the_planted_axis_is_named_with_side_and_amount(kind, axis, amount):
    """Named alone or as a choice, within four standard uncertainties; following it helps."""
    bench, profiles = looked_at(kind, {axis: amount})
    found = read(bench, profiles)
    said = readings_of(found, axis)
    assert said, found
    assert np.sign(said[0].amount) == np.sign(amount)
    assert abs(said[0].amount - amount) < 4 * said[0].u
    assert helps(bench, found)


@pytest.mark.slow
def test_axes_that_act_alike_are_named_together():
    """Clocking and source.y of a collimator cannot be told apart; each is enough alone."""
    bench, profiles = looked_at("collimator", {"mirror.clocking": 8e-3})
    found = read(bench, profiles)
    assert ("source.y", "mirror.clocking") in found.alike
    (share,) = [s for s in found.shares if "mirror.clocking" in s.axes]
    assert {choice[0].axis for choice in share.choices} == {"source.y", "mirror.clocking"}
    assert not found["source.y"].told
    # A source at s = ρ sin α times the turn looks the same (35°, 150 mm): 86 mm for a radian.
    by_axis = {choice[0].axis: choice[0].amount for choice in share.choices}
    lever = 150 * np.sin(np.radians(35))
    assert by_axis["source.y"] / by_axis["mirror.clocking"] == pytest.approx(lever, rel=0.03)


@pytest.mark.slow
@pytest.mark.parametrize("kind", BENCH_TYPES)
def test_an_aligned_bench_is_left_alone(kind):
    """Nothing that is called sure would change the spec by a tolerance."""
    bench, profiles = looked_at(kind, {})
    found = read(bench, profiles)
    assert not [r for r in found.axes if r.sure and r.effect > 1]
    assert not [s for s in found.shares if s.choices[0][0].effect > 1]


@pytest.mark.slow
def test_without_the_far_plane_only_what_near_tells():
    """One plane of a collimator: no axis is called sure on the wrong side, and doubt grows."""
    bench, profiles = looked_at("collimator", {"mirror.tilt": 3e-3, "source.z": 1.0})
    whole = read(bench, profiles)
    part = read(bench, {"near": profiles["near"]})
    assert all(p.u > w.u * 0.99 for p, w in zip(part.axes, whole.axes, strict=True))
    assert part["mirror.tilt"].u > 3 * whole["mirror.tilt"].u
    assert not [r for r in part.axes if r.sure and r.amount < 0 and r.axis == "mirror.tilt"]


@pytest.mark.campaign
@pytest.mark.timeout(1800)
@pytest.mark.parametrize(("kind", "axis", "amount"), PLANTED)
def test_many_benches(kind, axis, amount):
    """40 seeds: named in 90 %, never on the wrong side, 95 % intervals cover the planted amount in
    at least 85 %; doing as said helps the truth in 90 %.

    A choice is dropped where it contradicts what is seen with 95 %, which is one right one in
    twenty.
    """
    named = wrong = covered = helped = 0
    for seed in range(40):
        bench, profiles = looked_at(kind, {axis: amount}, seed)
        found = read(bench, profiles)
        said = readings_of(found, axis)
        helped += helps(bench, found)
        if said:
            named += 1
            wrong += bool(np.sign(said[0].amount) != np.sign(amount))
            covered += abs(said[0].amount - amount) < 1.96 * said[0].u
    print(f"{kind} {axis} {amount:g}: named {named}/40, wrong side {wrong}, "  # noqa: T201
          f"covered {covered}/{named}, helped {helped}/40")  # fmt: skip
    assert named >= 36
    assert wrong == 0
    assert covered >= 0.85 * named
    assert helped >= 36
