"""The hidden truth of a simulated bench: exact, free of noise, on perfect screens.

For tests and benchmarks alone. Moments are integrals of the exact trace over pupil and source
face, with the diffraction of the source but without that of hard edges, whose second moment has no
limit. An uneven pupil is in them; speckle and what cameras do are not. The screens are the nominal
planes, without tilt, roll, pitch or mark errors.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.optics.pose import Pose, place
from autoalign.optics.trace import to_plane
from autoalign.spec.terms import Spec, Verdict
from autoalign_simulators.blemishes import covered
from autoalign_simulators.train import Train
from autoalign_simulators.world import World

__all__ = ["Pinhole", "Truth", "moments_of"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True)
class Pinhole:
    """A round hole of ``diameter`` mm in ``plane``, its centre ``off`` (x, y) mm from its zero."""

    plane: str
    diameter: float
    off: tuple[float, float] = (0.0, 0.0)


@dataclass(slots=True)
class Truth:
    """What is hidden from the library.

    Parameters
    ----------
    world, train
        Where everything stands, and what the light does there.
    planes
        Names of the planes that the quality is made of, in the order along the beam.
    rings, spokes
        Density of the quadrature over the pupil.
    pinholes
        What the power meters stand behind, by the meter's name.
    ranges
        Half-width of the range that each axis' misalignment is drawn from, mm or rad.
    """

    world: World
    train: Train
    planes: tuple[str, ...]
    rings: int = 32
    spokes: int = 64
    pinholes: Mapping[str, Pinhole] = field(default_factory=dict)
    ranges: Mapping[str, float] = field(default_factory=dict)

    def shift(self, part: float, rng: np.random.Generator) -> None:
        """Let the bench drift: each axis by up to ``part`` of the range it was drawn from."""
        moved = {a: part * w * float(rng.uniform(-1, 1)) for a, w in self.ranges.items()}
        hidden = self.world.hidden
        self.world.hidden = {**hidden, **{a: hidden.get(a, 0.0) + d for a, d in moved.items()}}

    @property
    def hidden(self) -> dict[str, float]:
        """Misalignment that was drawn, mm or rad by axis."""
        return dict(self.world.hidden)

    def positions(self) -> dict[str, float]:
        """Return where each axis truly stands, counted from perfect alignment, mm or rad."""
        return self.world.positions()

    def aligned(self) -> dict[str, float]:
        """Return readings at which the bench is aligned, mm or rad by axis."""
        return self.world.aligned()

    def moments(self, positions: Mapping[str, float] | None = None) -> dict[str, Floats]:
        """Return the (9,) exact moments at every plane, see :data:`autoalign.beam.profile.MOMENTS`.

        ``positions`` as of :meth:`positions`; None for where everything stands now.
        """
        poses = self._poses(positions)
        found = self._spots(poses)
        return {name: moments_of(*spot) for name, spot in found.items()}

    def power(self, positions: Mapping[str, float] | None = None) -> float:
        """Return the part of the source's power that comes through."""
        spots = self._spots(self._poses(positions))
        return float(next(iter(spots.values()))[2].sum())

    def through(self, pinhole: Pinhole, positions: Mapping[str, float] | None = None) -> float:
        """Return the part of the source's power that ``pinhole`` lets through."""
        x, y, power = self._spots(self._poses(positions), (pinhole.plane,))[pinhole.plane]
        inside = pinhole.diameter / 2 - np.hypot(x - pinhole.off[0], y - pinhole.off[1])
        # Softened over a tenth of its radius: the quadrature's rays are few.
        return float((power * covered(inside, pinhole.diameter / 20)).sum())

    def parameters(self, positions: Mapping[str, float] | None = None) -> BeamParameters:
        """Return the exact quality, with uncertainties of 0."""
        poses = self._poses(positions)
        spots = self._spots(poses)
        names, values = [], []
        for plane, spot in spots.items():
            m = moments_of(*spot)
            width = 4 * _root(_matrix(m))
            numbers = {
                "x": m[0], "y": m[1], "xx": width[0, 0], "yy": width[1, 1], "xy": width[0, 1],
                "skew_x": m[5] / m[2] ** 1.5, "skew_y": m[8] / m[3] ** 1.5, "power": spot[2].sum(),
            }  # fmt: skip
            names += [f"{plane}.{k}" for k in numbers]
            values += [float(v) for v in numbers.values()]
        distances = {p: self.world.layout.plane(p).distance for p in spots}
        if len(spots) > 1:
            between = _between({p: moments_of(*s) for p, s in spots.items()}, distances)
            names += list(between)
            values += list(between.values())
        for meter, pinhole in self.pinholes.items():
            names.append(f"{meter}.power")
            values.append(self.through(pinhole, positions))
        size = len(names)
        return BeamParameters(tuple(names), np.array(values), np.zeros((size, size)), distances)

    def verdict(self, spec: Spec, positions: Mapping[str, float] | None = None) -> Verdict:
        """Judge the exact quality."""
        return spec.evaluate(self.parameters(positions))

    def in_spec(self, spec: Spec, positions: Mapping[str, float] | None = None) -> bool:
        """Return whether the exact beam meets ``spec``, and is not :meth:`turned`."""
        return self.verdict(spec, positions).in_spec and not self.turned(positions)

    def turned(self, positions: Mapping[str, float] | None = None) -> bool:
        """Return whether the beam goes through a focus between the outer planes, but should not.

        Or through a focal line; or should, but does not. The map that carries places at the first
        plane to places at the last one turns the beam over then, against the aligned bench's. Such
        a beam may have the widths that the spec wants.
        """
        if len(self.planes) < 2:
            return False
        wanted = self._stretches(self._poses({})).sum()
        return bool(np.any(self._stretches(self._poses(positions)) * wanted < 0))

    def _stretches(self, poses: Mapping[str, Pose]) -> Floats:
        """Real parts of the eigenvalues of that map."""
        spots = self._spots(poses)
        order = sorted(spots, key=lambda name: self.world.layout.plane(name).distance)
        (x, y, power), (p, q, _) = spots[order[0]], spots[order[-1]]
        w = power / power.sum()
        near, far = (np.stack([v - w @ v for v in pair]) for pair in ((x, y), (p, q)))
        carried = (w * far) @ near.T @ np.linalg.inv((w * near) @ near.T)
        return np.asarray(np.linalg.eigvals(carried).real)

    def _poses(self, positions: Mapping[str, float] | None) -> dict[str, Pose]:
        if positions is None:
            return self.world.poses()
        return place(self.world.layout, positions)

    def _spots(
        self, poses: Mapping[str, Pose], planes: tuple[str, ...] = ()
    ) -> dict[str, tuple[Floats, Floats, Floats]]:
        """Where every ray meets every plane: x, y, mm, and its power."""
        passage, power = self.train.sampled(poses, self.rings, self.spokes)
        return {p: (*to_plane(passage.rays, poses[p])[:2], power) for p in planes or self.planes}


def moments_of(x: Floats, y: Floats, power: Floats) -> Floats:
    """Return first, central second and central third moments (9,), weighted by ``power``."""
    w = power / power.sum()
    mx, my = float(w @ x), float(w @ y)
    dx, dy = x - mx, y - my
    xx, yy = dx * dx, dy * dy
    pairs = [xx, yy, dx * dy, xx * dx, xx * dy, yy * dx, yy * dy]
    return np.array([mx, my, *(float(w @ p) for p in pairs)])


def _matrix(m: Floats) -> Floats:
    return np.array([[m[2], m[4]], [m[4], m[3]]])


def _root(matrix: Floats) -> Floats:
    """Symmetric square root of a symmetric, non-negative matrix."""
    values, vectors = np.linalg.eigh(matrix)
    return np.asarray((vectors * np.sqrt(np.maximum(values, 0))) @ vectors.T)


def _between(moments: Mapping[str, Floats], distances: Mapping[str, float]) -> dict[str, float]:
    """Pointing, divergence and stretch from the first and the last plane."""
    first, last = (
        min(distances, key=distances.__getitem__),
        max(distances, key=distances.__getitem__),
    )
    a, b, gap = moments[first], moments[last], distances[last] - distances[first]
    near, far = _matrix(a), _matrix(b)
    slope = 4 * (_root(far) - _root(near)) / gap
    half = _root(near)
    back = np.linalg.inv(half)
    carry = back @ _root(half @ far @ half) @ back
    trace = carry[0, 0] + carry[1, 1]
    numbers = {
        "pointing_x": (b[0] - a[0]) / gap,
        "pointing_y": (b[1] - a[1]) / gap,
        "divergence_xx": slope[0, 0],
        "divergence_yy": slope[1, 1],
        "divergence_xy": slope[0, 1],
        "astigmatism_0": (carry[0, 0] - carry[1, 1]) / trace,
        "astigmatism_45": 2 * carry[0, 1] / trace,
    }
    return {k: float(v) for k, v in numbers.items()}
