"""A sequential ray trace from first principles, and the beam terms of the README from its moments.

Rays leave a disc-shaped face in a cone, meet a paraboloid of revolution, and fly on to screens.
Points of face and cone are a Kronecker sequence in four dimensions (multiples of the powers of a
generalised golden ratio), so that they fill both evenly; every ray carries a weight.

Frame: origin at the mirror's centre, x away from the parent axis, y up, z along the beam; mm, rad.
"""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

__all__ = ["Fan", "Paraboloid", "Pose", "Terms", "cone_radii", "fan", "terms", "turn"]

Floats = npt.NDArray[np.float64]


def turn(axis: Floats, angle: float) -> Floats:
    """Return the right-handed rotation about the unit vector ``axis`` (Rodrigues' formula)."""
    x, y, z = axis
    cross = np.array([[0, -z, y], [z, 0, -x], [-y, x, 0]])
    return np.eye(3) + math.sin(angle) * cross + (1 - math.cos(angle)) * cross @ cross


@dataclass(frozen=True)
class Fan:
    """Rays before they are placed: points of the unit disc (n, 2) and sines of the cone (n, 2)."""

    face: Floats
    sines: Floats
    weight: Floats


def cone_radii(intensity: Callable[[Floats], Floats], edge: float) -> tuple[Floats, Floats]:
    """Return the cumulated share of the light against the sine of the angle, up to ``edge``."""
    sine = np.linspace(0, edge, 4001)
    ring = intensity(sine) * sine
    total = np.concatenate([[0.0], np.cumsum((ring[1:] + ring[:-1]) / 2)])
    return total / total[-1], sine


def fan(
    count: int,
    intensity: Callable[[Floats], Floats],
    edge: float,
    uneven: Callable[[Floats], Floats] | None = None,
    start: float = 0.5,
) -> Fan:
    """Return ``count`` rays of a round cone; ``uneven`` weights them by their sines (n, 2)."""
    golden = 1.0
    for _ in range(60):
        golden = (1 + golden) ** (1 / 5)
    steps = golden ** -np.arange(1.0, 5.0)
    u = (start + np.arange(1, count + 1)[:, None] * steps) % 1
    face = np.sqrt(u[:, 0])[:, None] * _circle(u[:, 1])
    share, sine = cone_radii(intensity, edge)
    sines = np.interp(u[:, 2], share, sine)[:, None] * _circle(u[:, 3])
    weight = np.ones(count) if uneven is None else uneven(sines)
    return Fan(face, sines, weight)


def _circle(part: Floats) -> Floats:
    return np.stack([np.cos(2 * np.pi * part), np.sin(2 * np.pi * part)], axis=1)


@dataclass
class Pose:
    """Where the source and the mirror really are."""

    face: Floats
    """Centre of the face."""
    aim: Floats
    """(3, 3), columns: two directions across the face, and the way the light goes."""
    turned: Floats = field(default_factory=lambda: np.eye(3))
    """Rotation of the mirror."""
    moved: Floats = field(default_factory=lambda: np.zeros(3))
    """What the rotation does to the mirror's centre."""


@dataclass(frozen=True)
class Paraboloid:
    """Off-axis piece of a paraboloid, with slope errors of its surface.

    ``slopes`` maps points (n, 2) in units of the half aperture to slopes (n, 2), rad.
    """

    distance: float
    """From the centre to the focus."""
    angle: float
    """Between the line to the focus and the beam."""
    aperture: float
    slopes: Callable[[Floats], Floats] | None = None

    @property
    def focus(self) -> Floats:
        """The focus, from the centre."""
        return self.distance * np.array([-math.sin(self.angle), 0.0, math.cos(self.angle)])

    @property
    def parent(self) -> float:
        """Focal length of the parent: r = 2 f / (1 + cos angle) in polar form about the focus."""
        return self.distance * (1 + math.cos(self.angle)) / 2

    def trace(self, rays: Fan, pose: Pose, radius: float) -> tuple[Floats, Floats, Floats]:
        """Return points on the mirror (n, 3), directions (n, 3) and weights of what it reflects."""
        f = self.parent
        across = pose.aim[:, :2]
        origin = pose.face + radius * rays.face @ across.T
        along = np.sqrt(1 - np.sum(rays.sines**2, axis=1))
        d = rays.sines @ across.T + along[:, None] * pose.aim[:, 2]
        # Into the mirror's own frame, with the focus as origin: X² + Y² = 4 f (Z + f).
        o = (origin - pose.moved) @ pose.turned - self.focus
        d = d @ pose.turned
        a = d[:, 0] ** 2 + d[:, 1] ** 2
        b = 2 * (o[:, 0] * d[:, 0] + o[:, 1] * d[:, 1]) - 4 * f * d[:, 2]
        c = o[:, 0] ** 2 + o[:, 1] ** 2 - 4 * f * (o[:, 2] + f)
        way = -2 * c / (b + np.sqrt(b * b - 4 * a * c))
        p = o + way[:, None] * d
        n = np.stack([p[:, 0], p[:, 1], np.full(len(p), -2 * f)], axis=1)
        n /= np.linalg.norm(n, axis=1)[:, None]
        place = (p + self.focus)[:, :2] / (self.aperture / 2)
        if self.slopes is not None:
            n[:, :2] += self.slopes(np.clip(place, -1.2, 1.2))
            n /= np.linalg.norm(n, axis=1)[:, None]
        d = d - 2 * np.sum(d * n, axis=1)[:, None] * n
        weight = rays.weight * (np.sum(place**2, axis=1) <= 1)
        p = (p + self.focus) @ pose.turned.T + pose.moved
        return p, d @ pose.turned.T, weight


@dataclass(frozen=True)
class Terms:
    """The four terms of a spec of a collimated beam, as deviations from their targets."""

    pointing_x: float
    pointing_y: float
    divergence: float
    """In the worse principal direction, without what the size of the source causes."""
    ellipticity: float
    """Of the far beam relative to the near one, less 1."""

    def ratios(self, pointing: float, divergence: float, ellipticity: float) -> dict[str, float]:
        """Return every deviation, as a size, over its tolerance."""
        return {
            "pointing_x": abs(self.pointing_x) / pointing,
            "pointing_y": abs(self.pointing_y) / pointing,
            "divergence": abs(self.divergence) / divergence,
            "ellipticity": abs(self.ellipticity) / ellipticity,
        }


def moments(points: Floats, weight: Floats) -> tuple[Floats, Floats]:
    """Return centroid (2,) and second moments (2, 2) of weighted points (n, 2)."""
    total = weight.sum()
    centre = weight @ points / total
    off = points - centre
    return centre, (off * weight[:, None]).T @ off / total


def root(matrix: Floats) -> Floats:
    """Return the symmetric square root."""
    values, vectors = np.linalg.eigh(matrix)
    return (vectors * np.sqrt(values)) @ vectors.T


def terms(
    near: tuple[Floats, Floats], far: tuple[Floats, Floats],
    places: tuple[float, float], source: float, waist: float,
) -> Terms:  # fmt: skip
    """Return the terms from centroid and second moments at the ``places`` of two planes.

    As the README and the terms' docstrings define them: pointing, far less near centroid over the
    distance; divergence, growth of the width 4σ over the distance, less what a source of full angle
    ``source`` causes, d² = D² + source²(z − waist)²; ellipticity (1 − a)/(1 + a), where a is the
    anisotropy of the symmetric matrix M with M C_near M = C_far.
    """
    length = places[1] - places[0]
    pointing = (far[0] - near[0]) / length
    width_near, width_far = 4 * root(near[1]), 4 * root(far[1])
    mean = float(np.trace(width_near)) / 2
    gain = source**2 * ((places[1] - waist) ** 2 - (places[0] - waist) ** 2)
    floor = (math.sqrt(mean**2 + gain) - mean) / length
    growth = np.linalg.eigvalsh((width_far - width_near) / length - floor * np.eye(2))
    half = root(near[1])
    back = np.linalg.inv(half)
    m = back @ root(half @ far[1] @ half) @ back
    a = math.hypot(m[0, 0] - m[1, 1], 2 * m[0, 1]) / float(np.trace(m))
    return Terms(
        float(pointing[0]),
        float(pointing[1]),
        float(growth[np.argmax(np.abs(growth))]),
        (1 - a) / (1 + a) - 1,
    )
