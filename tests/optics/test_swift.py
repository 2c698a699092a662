"""The trace in place is the general trace: same rays, same crossings, same rays lost."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.optics import trace as tracing
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.standard_layouts import (
    collimator_layout,
    focuser_layout,
    relay_layout,
    steering_layout,
)
from autoalign.optics.swift import Swift
from autoalign.optics.trace import trace, trace_to_planes

OPTIC = OffAxisParaboloid(150, 35, 30)
LAYOUTS = {
    "collimator": collimator_layout(OPTIC, 0.1, 0.12, 660e-6),
    "focuser": focuser_layout(OPTIC, 12.0, 660e-6),
    "relay": relay_layout(OPTIC, OPTIC, 0.1, 0.08, 660e-6),
    "steering": steering_layout(5.0, 660e-6),
}


def bundle(layout: Layout, rng: np.random.Generator, count: int) -> Rays:
    """Random rays along the light's way; the widest miss the rims."""
    if isinstance(layout.light, Source):
        points, slopes = rng.normal(size=(count, 3)) * 0.1, rng.normal(size=(count, 2)) * 0.06
    else:
        points, slopes = rng.normal(size=(count, 3)) * 6, rng.normal(size=(count, 2)) * 1e-3
    directions = np.column_stack([slopes, np.ones(count)])
    directions /= np.linalg.norm(directions, axis=1)[:, None]
    return Rays.from_vectors(points, directions, rng.uniform(size=count))


def misaligned(layout: Layout, rng: np.random.Generator) -> dict[str, Pose]:
    """Every axis somewhere, and the planes turned and shifted each for itself."""
    positions = {
        m.axis: rng.normal() * (0.5 if m.kind == "shift" else 5e-3) for m in layout.motions
    }
    poses = place(layout, positions)
    last = poses[layout.planes[-1].name]
    turn, _ = np.linalg.qr(np.eye(3) + 0.01 * rng.normal(size=(3, 3)))
    turn = turn * np.sign(np.diag(turn))
    poses[layout.planes[-1].name] = Pose(last.rotation @ turn, last.position + rng.normal(size=3))
    return poses


def same(one: Rays, other: Rays, atol: float = 1e-10) -> None:
    """Check every column of two bundles."""
    for name in ("x", "y", "z", "l", "m", "n", "path"):
        assert np.allclose(getattr(one, name), getattr(other, name), rtol=0, atol=atol), name
    assert np.array_equal(one.power, other.power)


@pytest.mark.parametrize("turned", [False, True])
@pytest.mark.parametrize("clip", [True, False])
@pytest.mark.parametrize("kind", LAYOUTS)
def test_it_is_the_general_trace(
    kind: str, clip: bool, turned: bool, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Rays, powers and crossings of both agree to 1e-10 mm, in blocks and in one piece."""
    layout, rng = LAYOUTS[kind], np.random.default_rng(3)
    rays = bundle(layout, rng, 9000)
    poses = misaligned(layout, rng) if turned else place(layout)
    found, out = trace_to_planes(layout, poses, rays, 1000, clip=clip)
    whole = Swift(layout, poses, clip).trace(rays)
    assert whole is not None
    monkeypatch.setattr(tracing.Swift, "suits", lambda *_: False)
    planes, general = trace_to_planes(layout, poses, rays, clip=clip)
    same(out, general)
    same(whole[0], general)
    assert 0.2 < np.mean(out.power > 0) <= 1
    for plane, crossing in planes.items():
        for a, b in zip(crossing, found[plane], strict=True):
            assert np.allclose(a, b, rtol=0, atol=1e-10), plane


def test_what_is_given_stays_as_it_is() -> None:
    """Tracing in place happens in the workspace: rays, stopped ones included, are not touched."""
    layout, rng = LAYOUTS["collimator"], np.random.default_rng(4)
    rays = bundle(layout, rng, 300)
    stopped = rng.uniform(size=300) < 0.3
    rays = replace(rays, alive=~stopped)
    before = [c.copy() for c in (*rays.blocks(), rays.path, rays.alive)]
    first = trace(layout, place(layout), rays)
    again = trace(layout, place(layout), rays)
    for a, b in zip(before, (*rays.blocks(), rays.path, rays.alive), strict=True):
        assert np.array_equal(a, b)
    same(first, again, atol=0)
    assert not np.any(first.power[stopped])


def test_rays_that_miss_are_left_to_the_general_trace() -> None:
    """One ray passes behind the mirror: no answer here, NaN for it alone from the trace."""
    layout = LAYOUTS["collimator"]
    rays = bundle(layout, np.random.default_rng(5), 50)
    points, directions = rays.points.copy(), rays.directions.copy()
    bench = place(layout)["source"].inverse()
    points[7], directions[7] = bench.apply((0.0, 0.0, -500.0)), bench.turn((0.0, 1.0, 0.0))
    rays = Rays.from_vectors(points, directions)
    assert Swift(layout, place(layout), clip=True).trace(rays) is None
    out = trace(layout, place(layout), rays)
    assert np.flatnonzero(np.isnan(out.x)).tolist() == [7]
    assert not out.alive[7]  # type: ignore[index]


def test_it_is_not_offered_what_it_cannot_do() -> None:
    """Complex numbers, batches and empty bundles go the general way, and come out."""
    layout = LAYOUTS["collimator"]
    rays = bundle(layout, np.random.default_rng(6), 20)
    assert Swift.suits(layout, place(layout), rays)
    for positions in ({"source.x": 1e-30j}, {"source.x": np.zeros(4)}):
        assert not Swift.suits(layout, place(layout, positions), rays)
    assert not Swift.suits(layout, place(layout), rays.part(0, 0))
    assert trace(layout, place(layout), rays.part(0, 0)).count == 0
