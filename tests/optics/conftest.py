"""What several optics tests need."""

from __future__ import annotations

from collections.abc import Mapping

import numpy as np
import pytest

from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Array, Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import disk_grid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import reflect, to_plane

STEP = 1e-40


class Section:
    """A section of ρ = 100 mm with its source: W and ray positions in the mirror's plane."""

    def __init__(self, alpha: float, rho: float = 100.0) -> None:
        self.optic = OffAxisParaboloid(rho, alpha, 1.0)
        self.layout: Layout = collimator_layout(
            self.optic, 0.0, 0.1, 632.8e-6, pivot=(0.0, 0.0, 0.0)
        )
        self.nominal = place(self.layout)
        self.f, self.h = self.optic.parent_focal_length, self.optic.off_axis_distance

    def grid(self, a: float, rings: int = 12, spokes: int = 24) -> tuple[Array, Array, Array]:
        """(u, v, weight) that integrate over the disk of semi-diameter ``a`` about (h, 0)."""
        u, v, w = disk_grid(rings, spokes)
        return u * a, v * a, w

    def towards(self, u: Array, v: Array, source: Array | None = None) -> Rays:
        """Bench-frame rays from ``source`` (default: the focus) to (u, v) on the aligned mirror."""
        z = ((u + self.h) ** 2 + v**2) / (4 * self.f) - self.optic.sag
        start = np.array(self.optic.focus) if source is None else source
        d = np.stack([u, v, z], axis=-1) - start
        d = d / np.sqrt(np.sum(d * d, axis=-1))[..., None]
        return Rays.from_vectors(np.broadcast_to(start, d.shape), d)

    def exit(self, rays: Rays, poses: Mapping[str, Pose] | None = None) -> tuple[Array, ...]:
        """x, y, path in the plane z = 0 through the mirror's centre, and the slopes l, m."""
        mirror = (poses or self.nominal)["mirror"]
        out = reflect(rays, self.optic, mirror)
        plane = Pose(np.eye(3), np.zeros(3))
        return (*to_plane(out, plane), out.l, out.m)

    def wavefront(self, u: Array, v: Array, source: Array) -> Array:
        """Path at the fixed exit points (u, v) for a displaced source, by aiming."""
        a, b = u.copy(), v.copy()
        for _ in range(8):
            x, y, path, _, _ = self.exit(self.towards(a, b, source))
            a, b = a + u - x, b + v - y
        assert np.max(np.hypot(x - u, y - v)) < 1e-12
        return path

    def linear_wavefront(self, u: Array, v: Array, shift: Array) -> Array:
        """Change of path per mm of source displacement along ``shift``: a complex step.

        To first order the exit points need no correction, as the aligned wavefront is plane.
        """
        start = np.array(self.optic.focus) + 1j * STEP * np.asarray(shift)
        return self.exit(self.towards(u + 0j, v + 0j, start))[2].imag / STEP

    @staticmethod
    def terms(u: Array, v: Array, w: Array, path: Array, a: float) -> dict[str, float]:
        """Least-squares coefficients, in mm at the edge r = a, of the terms of a wavefront."""
        x, y = u / a, v / a
        r2 = x * x + y * y
        basis = {
            "piston": np.ones_like(x), "x": x, "y": y, "focus": r2,
            "astigmatism 0": x * x - y * y, "astigmatism 45": 2 * x * y,
            "coma x": x * r2, "coma y": y * r2,
            "trefoil x": x**3 - 3 * x * y * y, "trefoil y": 3 * x * x * y - y**3,
        }  # fmt: skip
        weight = np.sqrt(w)
        matrix = np.stack(list(basis.values()), axis=-1) * weight[:, None]
        found = np.linalg.lstsq(matrix, path * weight, rcond=None)[0]
        return dict(zip(basis, found.tolist(), strict=True))


@pytest.fixture
def section() -> type[Section]:
    """The class :class:`Section`, to be built for an angle."""
    return Section
