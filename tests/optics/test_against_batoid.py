"""The exact trace against an independent general-purpose ray tracer (PyPI: batoid)."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest

from autoalign.optics.layout import Flat, Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import cone
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import reflect, to_plane, trace_to_planes

batoid = pytest.importorskip("batoid")


def other_rays(rays: Rays) -> Any:
    """The same rays in the other tracer, with light that runs 1 mm in its unit of time."""
    return batoid.RayVector(
        *(c.copy() for c in (rays.x, rays.y, rays.z, rays.l, rays.m, rays.n)), t=rays.path.copy()
    )


def frame(pose: Pose, shift: tuple[float, float, float] = (0.0, 0.0, 0.0)) -> Any:
    """A local frame, moved by ``shift`` in itself."""
    return batoid.CoordSys(origin=pose.apply(shift), rot=pose.rotation)


def other_reflect(rays: Rays, optic: OffAxisParaboloid, pose: Pose) -> Any:
    """Reflect bench-frame rays with the other tracer."""
    vertex = frame(pose, (-optic.off_axis_distance, 0.0, -optic.sag))
    return batoid.Paraboloid(2 * optic.parent_focal_length).reflect(
        other_rays(rays), coordSys=vertex
    )


def random_bench(rng: np.random.Generator) -> tuple[Layout, dict[str, Pose]]:
    """A section of random angle and focal length, misaligned along every axis."""
    alpha, rho = rng.uniform(5, 120), rng.uniform(50, 300)
    layout = collimator_layout(OffAxisParaboloid(rho, alpha, 10), 0.0, 0.12, 660e-6)
    positions = {
        m.axis: rng.uniform(-2, 2) if m.kind == "shift" else rng.uniform(-0.03, 0.03)
        for m in layout.motions
    }
    return layout, place(layout, positions)


@pytest.mark.slow
def test_a_thousand_random_misalignments() -> None:
    """Positions at two planes and optical paths agree to 1e-9 mm, off-axis angles 5–120°.

    Forward where the rays come down on the mirror (the other tracer takes the wrong root beyond
    90°), and backwards from the far plane to the source for every one of them.
    """
    rng = np.random.default_rng(20)
    worst, forward = 0.0, 0
    for _ in range(1000):
        layout, poses = random_bench(rng)
        optic = layout.elements[0].surface
        assert isinstance(optic, OffAxisParaboloid)
        rays = cone(layout.light, 3, 7, angle=0.1)  # type: ignore[arg-type]
        planes, out = trace_to_planes(layout, poses, rays)
        start = rays.moved(poses["source"])
        if np.all(start.moved(poses["mirror"].inverse()).n < 0):
            forward += 1
            there = other_reflect(start, optic, poses["mirror"])
            for name, (x, y, path) in planes.items():
                at = batoid.Plane().intersect(there.copy(), coordSys=frame(poses[name]))
                worst = max(worst, *(np.max(np.abs(d)) for d in (at.x - x, at.y - y, at.t - path)))
        x, y, path = planes["far"]
        turned = Rays(x, y, 0 * x, *(0 * x,) * 3, -path).moved(poses["far"])
        turned = replace(turned, l=-out.l, m=-out.m, n=-out.n)
        back = other_reflect(turned, optic, poses["mirror"])
        at = batoid.Plane().intersect(back, coordSys=frame(poses["source"]))
        worst = max(worst, *(np.max(np.abs(d)) for d in (at.x, at.y, at.t)))
    assert forward > 600
    assert worst < 1e-9


def test_a_turned_flat() -> None:
    """A flat in any attitude reflects as the other tracer's plane does."""
    rng = np.random.default_rng(21)
    rotation, _ = np.linalg.qr(np.eye(3) + 0.2 * rng.normal(size=(3, 3)))
    rotation *= np.linalg.det(rotation)
    pose = Pose(rotation, rng.normal(size=3))
    direction = rng.normal(size=(50, 3)) * 0.1 + [0, 0, -1]
    direction /= np.linalg.norm(direction, axis=1)[:, None]
    rays = Rays.from_vectors(rng.normal(size=(50, 3)) + np.array([0, 0, 40]), direction)
    x, y, path = to_plane(reflect(rays, Flat(50.0), pose), Pose(np.eye(3), np.array([0, 0, 90.0])))
    other = other_rays(rays)
    batoid.Plane().reflect(other, coordSys=frame(pose))
    batoid.Plane().intersect(other, coordSys=batoid.CoordSys(origin=[0, 0, 90.0]))
    for ours, theirs in ((x, other.x), (y, other.y), (path, other.t)):
        assert np.max(np.abs(ours - theirs)) < 1e-11
