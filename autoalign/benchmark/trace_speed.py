"""The exact trace against the compiled conic kernel of a general ray tracer (PyPI: batoid)."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np

from autoalign.benchmark.timing import Call, Section, figure, optional, ratio, take_turns
from autoalign.optics.layout import Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import cone
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import trace_to_planes

__all__ = ["measure_trace"]

LAYOUT = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.12, 660e-6)

OFF = {"source.x": 0.8, "source.z": 2.0, "mirror.tip": 3e-3, "mirror.clocking": 8e-3}
"""Where the axes stand: anywhere but in alignment."""


def measure_trace(counts: tuple[int, ...] = (1_000, 30_000, 300_000), rounds: int = 25) -> Section:
    """Measure rays per second from a misaligned source over the mirror to two planes.

    The other tracer's rays are copied beforehand, untimed, because it works in place.
    """
    batoid = optional("batoid")
    poses = place(LAYOUT, OFF)
    found, remarks = [], []
    for count in counts:
        rays = _rays(count)
        calls: dict[str, Call] = {"ours": partial(trace_to_planes, LAYOUT, poses, rays, clip=False)}
        before: dict[str, Call] = {}
        if batoid is not None:
            other = _Batoid(batoid, poses, rays)
            calls["theirs"], before["theirs"] = other.trace, other.prepare
        spent = take_turns(calls, rounds, before)
        name = f"{rays.count} rays"
        found.append(figure(f"{name}, this library", rays.count / spent["ours"] / 1e6, "million/s"))
        if batoid is not None:
            theirs = spent["theirs"]
            found.append(figure(f"{name}, batoid", rays.count / theirs / 1e6, "million/s"))
            found.append(ratio(f"{name}, speed over batoid's", theirs, spent["ours"]))
    if batoid is None:
        remarks.append("batoid is not installed: nothing to compare with. pip install batoid.")
    else:
        remarks.append(f"Positions and paths agree to {_apart(batoid, poses):.1e} mm.")
    return Section("Exact trace over one mirror to two planes", tuple(found), tuple(remarks))


def _rays(count: int) -> Rays:
    assert isinstance(LAYOUT.light, Source)
    spokes = max(int(np.sqrt(count / 2)), 8)
    return cone(LAYOUT.light, max(count // spokes, 1), spokes, "even", angle=0.1)


class _Batoid:
    """The same trace by the other: reflect in place, then cross both planes."""

    def __init__(self, batoid: Any, poses: dict[str, Pose], rays: Rays) -> None:
        optic = LAYOUT.elements[0].surface
        assert isinstance(optic, OffAxisParaboloid)
        start, mirror = rays.moved(poses["source"]), poses["mirror"]
        columns = (start.x, start.y, start.z, start.l, start.m, start.n)
        self._given = batoid.RayVector(*(c.copy() for c in columns), t=start.path.copy())
        self._fresh = self._given
        vertex = mirror.apply((-optic.off_axis_distance, 0.0, -optic.sag))
        self._mirror = batoid.Paraboloid(2 * optic.parent_focal_length)
        self._at = batoid.CoordSys(origin=vertex, rot=mirror.rotation)
        screens = [poses[p.name] for p in LAYOUT.planes]
        self._screens = [batoid.CoordSys(origin=s.position, rot=s.rotation) for s in screens]
        self._plane = batoid.Plane()

    def prepare(self) -> None:
        """Copy the rays."""
        self._fresh = self._given.copy()

    def trace(self) -> list[Any]:
        """Return the rays at the two planes."""
        out = self._mirror.reflect(self._fresh, coordSys=self._at)
        near, far = self._screens
        first = self._plane.intersect(out.copy(), coordSys=near)
        return [first, self._plane.intersect(out, coordSys=far)]


def _apart(batoid: Any, poses: dict[str, Pose]) -> float:
    """Return the largest difference between the two traces, mm."""
    rays = _rays(2000)
    planes, _ = trace_to_planes(LAYOUT, poses, rays, clip=False)
    other = _Batoid(batoid, poses, rays)
    other.prepare()
    crossed = other.trace()
    return max(
        float(np.max(np.abs(a - b)))
        for (x, y, path), at in zip(planes.values(), crossed, strict=True)
        for a, b in ((x, at.x), (y, at.y), (path, at.t))
    )
