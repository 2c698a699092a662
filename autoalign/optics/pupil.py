"""The pupil on a regular grid, by aiming rays at its points: what a diffraction image is made from.

Every grid point gets the one ray that goes through it (Newton's iteration with derivatives from
complex steps of the exact trace), so that path, amplitude and edge are those of the exact trace,
without interpolation. Amplitude is the root of the irradiance: emission over the Jacobian.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError
from autoalign.optics.layout import Beam, Layout, Source
from autoalign.optics.pose import Array, Pose, frame_along
from autoalign.optics.rays import Rays
from autoalign.optics.sources import BEAM_EDGE, emission, half_angle
from autoalign.optics.trace import Figure, hits, to_plane
from autoalign.optics.wavefront import Wavefront, on_sphere

__all__ = ["Aim", "Pupil", "make_pupil"]

# Aiming: which ray from the source goes through a given point of the pupil.

_STEP = 1e-40
_ROUNDS = 8


class Aim:
    """The map from start coordinates (direction or place at the source) to pupil coordinates.

    Parameters
    ----------
    focus
        Name of the plane with the image, whose reference sphere is the pupil; None for a collimated
        beam, whose pupil is the plane square to the chief ray where that leaves the last element.
    point
        (x, y), mm, on the source's face (for a beam: tilt, rad).

    Attributes
    ----------
    radius
        Of the reference sphere, mm, or None.
    image
        (x, y), mm, of the sphere's centre in the image plane.
    """

    def __init__(
        self,
        layout: Layout,
        poses: Mapping[str, Pose],
        point: tuple[float, float],
        figures: Mapping[str, Figure],
        focus: str | None,
    ) -> None:
        self.layout, self.poses, self.point, self.figures = layout, poses, point, figures
        self.radius: float | None = None
        self.image = (0.0, 0.0)
        self._probe = self._survey()
        rays, _ = self.launch(self._probe)
        chief, _ = self.launch(np.zeros((2, 1)))
        if focus is None:
            direction = chief.directions[0]
            self.reference = Pose(frame_along(direction), chief.points[0])
        else:
            layout.plane(focus)
            self.reference = poses[focus]
            x, y, _ = to_plane(rays, self.reference)
            self.image = (float(np.mean(x)), float(np.mean(y)))
            target = self.reference.apply([*self.image, 0.0])
            self.radius = float(np.linalg.norm(chief.points[0] - target))

    def _survey(self) -> Array:
        """Start coordinates (2, n) of rays that get through, close to the edge included."""
        angle = 2 * np.pi * np.arange(96) / 96
        circle = np.stack([np.cos(angle), np.sin(angle)])[:, None, :]
        radii = self._reach() * np.geomspace(1e-4, 1, 64)
        for _ in range(2):
            measurement = (radii[:, None] * circle).reshape(2, -1)
            _, margins = self.launch(measurement)
            through: Array = measurement[:, np.min(margins, axis=0) >= 0]
            if through.size == 0:
                raise UsageError("pupil: no light gets through; the beam misses an aperture.")
            widest = float(np.max(np.hypot(*through)))
            radii = np.linspace(0, min(1.3 * widest, self._reach()), 96)
        return through

    def _reach(self) -> float:
        """Largest start coordinate that still has light: sin θ, or mm from the beam's middle."""
        light = self.layout.light
        if isinstance(light, Source):
            return float(np.sin(half_angle(light)))
        edge = BEAM_EDGE if light.profile == "gaussian" else 1.0
        return edge * light.diameter / 2

    def launch(self, start: Array) -> tuple[Rays, list[Array]]:
        """Rays at the last element for ``start`` (2, ...), and how far inside each edge they are.

        A margin is positive inside, 0 at the edge and a fraction of the radius squared.
        """
        light = self.layout.light
        p, q = start
        zero = np.zeros_like(p)
        if isinstance(light, Source):
            n = np.sqrt(1 - p * p - q * q)
            rays = Rays(zero + self.point[0], zero + self.point[1], zero, p, q, n, zero)
        else:
            l, m = (np.sin(t) + zero for t in self.point)  # noqa: E741
            path = p * l + q * m  # from the tilted wave's own front
            rays = Rays(p, q, zero, l, m, np.sqrt(1 - l * l - m * m), path)
        margins = [1 - (p * p + q * q).real / self._reach() ** 2]
        for element, local in hits(self.layout, self.poses, rays, self.figures):
            edge = (element.surface.clear_aperture / 2) ** 2
            margins.append(1 - (local.x * local.x + local.y * local.y).real / edge)
            rays = local.moved(self.poses[element.name])
        return rays, [np.nan_to_num(m, nan=-1.0) for m in margins]

    def arrive(self, rays: Rays) -> tuple[Array, Array, Array]:
        """Pupil coordinates and path."""
        if self.radius is None:
            return to_plane(rays, self.reference)
        return on_sphere(rays, self.reference, self.radius, self.image)

    def intensity(self, start: Array) -> Array:
        """Power per start coordinate."""
        light: Source | Beam = self.layout.light
        square = start[0] ** 2 + start[1] ** 2
        if isinstance(light, Source):
            return np.asarray(emission(light, square) / np.sqrt(np.maximum(1 - square, 1e-12)))
        if light.profile == "uniform":
            return np.ones_like(square)
        return np.asarray(np.exp(-2 * square / (light.diameter / 2) ** 2))

    def extent(self) -> tuple[tuple[float, float], float]:
        """Centre and half side, mm, of the square that holds the beam in the pupil."""
        rays, _ = self.launch(self._probe)
        x, y, _ = self.arrive(rays)
        half = float(max(np.ptp(x), np.ptp(y))) / 2
        centre = (float(x.max() + x.min()) / 2, float(y.max() + y.min()) / 2)
        if self.radius is not None:  # a reference sphere has a middle of its own
            half += max(abs(centre[0]), abs(centre[1]))
            centre = (0.0, 0.0)
        return centre, 1.04 * half

    def solve(self, x: Array, y: Array) -> tuple[Array, Array]:
        """Start coordinates (2, n) of the rays through the pupil points, and |∂(x, y)/∂start|."""
        start = np.zeros((2, x.size))
        limit = np.max(np.abs(self._probe)) * 1.2
        for _ in range(_ROUNDS):
            px, py, jacobian, determinant = self._derivatives(start)
            dx, dy = x - px, y - py
            move = np.stack(
                [
                    jacobian[1][1] * dx - jacobian[1][0] * dy,
                    -jacobian[0][1] * dx + jacobian[0][0] * dy,
                ]
            )
            move = np.where(np.isfinite(move), move / determinant, 0.0)
            start = start + move
            size = np.sqrt(np.sum(start**2, axis=0))
            start = start * np.where(size > limit, limit / np.maximum(size, 1e-300), 1.0)
            # Newton's error is squared by every round: this is the last one needed.
            if float(np.max(np.abs(move[:, size < limit]), initial=0.0)) < 1e-8 * limit:
                break
        return start, self._derivatives(start)[3]

    def _derivatives(self, start: Array) -> tuple[Array, Array, tuple[Array, Array], Array]:
        """Pupil coordinates, their derivatives by start coordinate, and the determinant."""
        columns = []
        for k in (0, 1):
            step = start.astype(complex)
            step[k] += 1j * _STEP
            rays, _ = self.launch(step)
            x, y, _ = self.arrive(rays)
            columns.append(np.stack([x.imag, y.imag]) / _STEP)
        a, b = columns
        return x.real, y.real, (a, b), a[0] * b[1] - a[1] * b[0]


Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class Pupil:
    """A pupil of n × n points.

    Parameters
    ----------
    step
        Grid spacing, mm; the grid's middle (n//2, n//2) is the pupil's centre, rows run along y.
    path
        (n, n) W, mm, 0 outside the aperture.
    amplitude
        (n, n) root of the irradiance, any unit; partly covered cells at the edge count in full.
    coverage
        (n, n) the part of each cell inside the aperture, 0 to 1.
    wavelength
        mm.
    distance
        From the pupil to the image, mm; None for a collimated beam, whose far field is in rad.
    image_centre
        (x, y) mm in the image plane (or rad) to which the image's zero belongs.
    """

    step: float
    path: Floats
    amplitude: Floats
    coverage: Floats
    wavelength: float
    distance: float | None = None
    image_centre: tuple[float, float] = (0.0, 0.0)

    @property
    def samples(self) -> int:
        """Number n of points along a side."""
        return int(self.path.shape[0])

    @property
    def axis(self) -> Floats:
        """(n,) coordinates along either side, mm."""
        return np.asarray((np.arange(self.samples) - self.samples // 2) * self.step)

    @property
    def reach(self) -> float:
        """``distance``, or 1 for a far field in rad."""
        return 1.0 if self.distance is None else self.distance

    @property
    def field(self) -> npt.NDArray[np.complex128]:
        """(n, n) complex amplitude."""
        phase = np.exp(2j * np.pi / self.wavelength * self.path)
        return np.asarray(self.amplitude * self.coverage * phase)

    @property
    def phase_step(self) -> float:
        """Largest change of W between neighbours inside the aperture, waves. Keep below ½."""
        inside = self.coverage > 0
        steps = [
            np.abs(np.diff(self.path, axis=k))[np.logical_and(*_neighbours(inside, k))]
            for k in (0, 1)
        ]
        return float(max((s.max() for s in steps if s.size), default=0.0)) / self.wavelength

    def wavefront(self) -> Wavefront:
        """Return the covered points as a wavefront, weighted by area."""
        inside = self.coverage > 0
        y, x = np.meshgrid(self.axis, self.axis, indexing="ij")
        return Wavefront(x[inside], y[inside], self.path[inside], self.coverage[inside])

    def without(self, terms: int) -> Pupil:
        """Return the pupil without piston (1), also tilt (3), also focus (4), by power."""
        inside = self.coverage > 0
        y, x = np.meshgrid(self.axis, self.axis, indexing="ij")
        x, y, path = x[inside], y[inside], self.path[inside]
        share = np.sqrt(self.coverage[inside]) * self.amplitude[inside]
        basis = np.stack([np.ones_like(x), x, y, self._focus_shape(x, y)], axis=-1)[:, :terms]
        size = np.max(np.abs(basis), axis=0)
        fit = np.linalg.lstsq(basis / size * share[:, None], path * share, rcond=None)[0]
        rest = np.zeros_like(self.path)
        rest[inside] = path - basis / size @ fit
        return replace(self, path=rest)

    def defocused(self, shift: float) -> Pupil:
        """Return the pupil referred to an image plane moved by ``shift``, mm, along the light.

        For a collimated beam ``shift`` is a curvature to take away, 1/mm.
        """
        y, x = np.meshgrid(self.axis, self.axis, indexing="ij")
        path = np.where(self.coverage > 0, self.path - self._focus_shape(x, y, shift), 0.0)
        distance = None if self.distance is None else self.distance + shift
        return replace(self, path=path, distance=distance)

    def best_focus(self) -> float:
        """Return the shift, mm, to the plane of least wavefront variance (highest Strehl ratio).

        Positive beyond the image plane. For a collimated beam: its curvature, 1/mm.
        """
        inside = self.coverage > 0
        y, x = np.meshgrid(self.axis, self.axis, indexing="ij")
        x, y = x[inside], y[inside]
        share = np.sqrt(self.coverage[inside]) * self.amplitude[inside]
        focus = self._focus_shape(x, y)
        size, edge = float(np.max(np.abs(focus))), float(np.max(np.abs(x)))
        basis = np.stack([np.ones_like(x), x / edge, y / edge, focus / size], axis=-1)
        shift = 0.0
        for _ in range(4):  # the shape changes slightly with the shift
            rest = (self.path[inside] - self._focus_shape(x, y, shift)) * share
            shift += np.linalg.lstsq(basis * share[:, None], rest, rcond=None)[0][3] / size
        return float(shift)

    def _focus_shape(self, x: Floats, y: Floats, shift: float | None = None) -> Floats:
        """W of a focus ``shift`` mm beyond the image plane, or of a curvature; None: per unit."""
        r2 = x * x + y * y
        if self.distance is None:
            return r2 / 2 * (1.0 if shift is None else shift)
        cosine = np.sqrt(np.maximum(1 - r2 / self.distance**2, 0.0))
        if shift is None:
            return np.asarray(1 - cosine)
        far = self.distance
        # far + shift − √(far² + 2 far shift cos θ + shift²), without cancellation
        below = far + shift + np.sqrt(far**2 + 2 * far * shift * cosine + shift**2)
        return np.asarray(2 * far * shift * (1 - cosine) / below)


def make_pupil(
    layout: Layout,
    poses: Mapping[str, Pose],
    samples: int = 256,
    focus: str | None = None,
    point: tuple[float, float] = (0.0, 0.0),
    figures: Mapping[str, Figure] | None = None,
) -> Pupil:
    """Return the pupil of the light from one point of the source.

    Parameters
    ----------
    samples
        Points along a side of the square that just holds the beam.
    focus
        Name of the plane in which the light comes to a focus; None for a collimated beam, whose
        pupil lies where its chief ray leaves the last element.
    point
        (x, y), mm, on the source's face (for a beam: tilt, rad).
    figures
        Figure error by element.

    Raises
    ------
    UsageError
        Where no light gets through, or rays cannot be aimed at every point of the pupil.
    """
    aim = Aim(layout, poses, point, figures or {}, focus)
    centre, half = aim.extent()
    step = 2 * half / samples
    axis = (np.arange(samples) - samples // 2) * step
    grid_y, grid_x = np.meshgrid(axis, axis, indexing="ij")
    x, y = grid_x.ravel() + centre[0], grid_y.ravel() + centre[1]
    start, jacobian = aim.solve(x, y)
    rays, margins = aim.launch(start)
    found_x, found_y, path = aim.arrive(rays)
    with np.errstate(divide="ignore", invalid="ignore"):
        intensity = aim.intensity(start) / np.abs(jacobian)
    good = np.hypot(found_x - x, found_y - y) < 1e-6 * step
    good &= np.isfinite(path) & np.isfinite(intensity)
    shape = (samples, samples)
    coverage = _coverage([np.where(good, m, -1.0).reshape(shape) for m in margins])
    inside = coverage > 0
    path = np.where(inside, path.reshape(shape), 0.0)
    mean = np.sum(path * coverage) / np.sum(coverage)
    return Pupil(
        step=step,
        path=np.where(inside, path - mean, 0.0),
        amplitude=np.where(inside, np.sqrt(np.maximum(intensity.reshape(shape), 0.0)), 0.0),
        coverage=coverage,
        wavelength=layout.light.wavelength,
        distance=aim.radius,
        image_centre=aim.image,
    )


def _neighbours(inside: npt.NDArray[np.bool_], axis: int) -> tuple[Array, Array]:
    first = np.take(inside, range(inside.shape[axis] - 1), axis=axis)
    second = np.take(inside, range(1, inside.shape[axis]), axis=axis)
    return first, second


def _coverage(margins: list[Floats]) -> Floats:
    """The part of every cell inside all edges: a straight edge through each cell."""
    cover = np.ones_like(margins[0])
    for margin in margins:
        gy, gx = np.gradient(margin)
        size = np.sqrt(gx * gx + gy * gy)
        with np.errstate(divide="ignore", invalid="ignore"):
            part = np.clip(np.where(size > 0, 0.5 + margin / size, margin > 0), 0.0, 1.0)
        cover = cover * part
    return cover
