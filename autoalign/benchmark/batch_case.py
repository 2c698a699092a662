"""One bench of a batch as arrays: from positions and unknowns to readings, and to the spec."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError
from autoalign.optics.ideal import effective_size, overfills
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.spec.terms import DivergenceTerm, EllipticityTerm, PointingTerm, Spec

__all__ = ["HIDDEN", "READINGS", "STEP", "Array", "BatchBench", "Case"]

Array = Any
"""An array of whatever library ``xp`` is."""
Places = npt.NDArray[np.intp]

RINGS, SPOKES = 6, 12
READINGS = 5
"""Readings of a plane: x, y, xx, yy, xy."""
STEP = 1e-4
"""Step of the derivatives, in units of the priors."""
UNEVEN = ("u", "v", "round", "astigmatic", "astigmatic, 45°")
"""How the log of the light over the pupil may be bent: what the fit knows of."""


@dataclass(frozen=True, slots=True)
class BatchBench:
    """A collimator for many trials.

    Parameters
    ----------
    layout, spec
        One paraboloid that collimates a source, and a spec of pointing, divergence and ellipticity.
    start
        Half-width, mm or rad by axis, of the range that each axis' misalignment is drawn from.
    travel
        Half-width of what an axis can reach, alike; five times ``start`` where not given.
    resolution
        Step of the axes, as a part of ``start``.
    noise
        Standard uncertainty of a centroid, in beam standard deviations; of second moments twice it.
    known
        What is stated of the bench, by name: "scale", "direction", "pitch", "fiducial", "roll",
        "rho" (relative), "alpha", "aim", "uneven".
    """

    layout: Layout
    spec: Spec
    start: Mapping[str, float]
    travel: Mapping[str, float] | None = None
    resolution: float = 1e-4
    noise: float = 1e-3
    known: Mapping[str, float] | None = None

    def __post_init__(self) -> None:
        surfaces = [e.surface for e in self.layout.elements]
        if len(surfaces) != 1 or not isinstance(surfaces[0], OffAxisParaboloid):
            raise UsageError("batch: one paraboloid that collimates a source is all it knows.")
        if not isinstance(self.layout.light, Source):
            raise UsageError("batch: the light must be a source.")


STATED = {
    "scale": 0.03, "direction": 0.035, "pitch": 0.002, "fiducial": 0.01, "roll": 0.00873,
    "rho": 0.006, "alpha": 2.5e-3, "aim": 0.01, "uneven": 0.25,
}  # fmt: skip
"""Standard uncertainties where nothing else is stated."""
HIDDEN = {"uneven": 0.1, "figure": 2e-6}
"""Standard deviations of what the fit does not know: light that is uneven three-fold; slope of the
mirror's surface at its rim, rad."""


class Case:
    """One bench as arrays of ``xp``: what does not depend on the trial."""

    def __init__(
        self, bench: BatchBench, xp: Any, compiled: Callable[[Any], Any] | None = None
    ) -> None:
        self.bench, self.xp = bench, xp
        layout = bench.layout
        optic, light = layout.elements[0].surface, layout.light
        assert isinstance(optic, OffAxisParaboloid)
        assert isinstance(light, Source)
        self.optic, self.light = optic, light
        self.axes = [m.axis for m in layout.motions]
        known = {**STATED, **(bench.known or {})}
        sizes = [bench.start[a] / math.sqrt(3) for a in self.axes]
        sizes += [known["scale"]] * len(self.axes) + [known["direction"]] * 2 * len(self.axes)
        sizes += [known["aim"]] * 2 + [known["fiducial"]] * 4 + [known["roll"]] * 2
        sizes += [known["pitch"]] * 2
        sizes += [known["rho"] * optic.reflected_focal_length, known["alpha"]]
        sizes += [known["uneven"]] * len(UNEVEN)
        self.sigma = self.of(sizes)
        self.unknowns = len(sizes)
        # The first unknowns are offsets; the axes' scales and directions follow them.
        self.first = {"direction": 2 * len(self.axes), "aim": 4 * len(self.axes)}
        self.first["fiducial"] = self.first["aim"] + 2
        self.first["roll"] = self.first["fiducial"] + 4
        self.first["pitch"] = self.first["roll"] + 2
        self.first["rho"] = self.first["pitch"] + 2
        self.first["uneven"] = self.first["rho"] + 2
        self.known = known
        reach = bench.travel or {a: 5 * bench.start[a] for a in self.axes}
        self.reach = self.of([reach[a] for a in self.axes])
        self.size = self.of([bench.start[a] for a in self.axes])
        self._geometry()
        self._spec()
        self.blur = self.of(np.zeros((2, 3)))
        self.blur = self._core_blur()
        made = compiled or (lambda function: function)
        self.moments = made(self._moments)
        self.deviations = made(self._deviations)
        self.residuals = made(self._residuals)
        self.u_terms = made(self._u_terms)

    def of(self, values: Any) -> Array:
        """Return ``values`` as an array of the library, double precision."""
        return self.xp.asarray(np.asarray(values, dtype=np.float64))

    def _geometry(self) -> None:
        layout = self.bench.layout
        poses = place(layout)
        self.source = poses["source"]
        self.mirror = poses[layout.elements[0].name]
        planes = sorted(layout.planes, key=lambda p: p.distance)
        self.near, self.far = planes[0], planes[-1]
        self.planes = [poses[p.name] for p in (self.near, self.far)]
        across = []
        for motion in layout.motions:
            k = np.asarray(motion.direction, dtype=np.float64)
            first = np.cross(k, np.eye(3)[int(np.argmin(np.abs(k)))])
            first /= np.linalg.norm(first)
            across.append([first, np.cross(k, first)])
        self.across = self.of(across)
        self.length = self.far.distance - self.near.distance
        nodes, weights = np.polynomial.legendre.leggauss(RINGS)
        square = (nodes + 1) / 2
        turn = 2 * np.pi * (np.arange(SPOKES) + 0.5 * (np.arange(RINGS) % 2)[:, None]) / SPOKES
        r = np.sqrt(square)[:, None]
        weight = np.repeat(weights / 2 / SPOKES, SPOKES)
        self.on_aperture = overfills(layout)
        radius = self.optic.clear_aperture / 2 if self.on_aperture else 1.0
        if not self.on_aperture and self.light.emission != "uniform":
            radius = 2.4  # in units of the source's NA; e^(−2·2.4²) is left out
        self.u, self.v = (
            self.of(radius * (r * np.cos(turn)).ravel()),
            self.of(radius * (r * np.sin(turn)).ravel()),
        )
        self.weight = self.of(weight)
        self.rate = {"multimode": math.log(20.0), "gaussian": 2.0, "uniform": 0.0}[
            self.light.emission
        ]

    def _spec(self) -> None:
        terms = {type(t): t for t in self.bench.spec.terms if not isinstance(t, PointingTerm)}
        self.pointing = {
            t.direction: t for t in self.bench.spec.terms if isinstance(t, PointingTerm)
        }
        divergence, ellipticity = terms.get(DivergenceTerm), terms.get(EllipticityTerm)
        if isinstance(divergence, DivergenceTerm) and isinstance(ellipticity, EllipticityTerm):
            self.divergence, self.ellipticity = divergence, ellipticity
            if set(self.pointing) == {"x", "y"}:
                return
        raise UsageError("batch: a spec of pointing, divergence and ellipticity is needed.")

    def _core_blur(self) -> Array:
        """Second moments (2 planes, 3) that the source's size adds, on paper."""
        xp = self.xp
        nothing = xp.zeros((1, self.unknowns), dtype=xp.float64)
        axes = xp.zeros((1, len(self.axes)), dtype=xp.float64)
        size = effective_size(self.light)
        h, rows = 1e-3, []
        for k in range(2):
            shift = np.zeros((1, 3))
            shift[0] = self.source.rotation[:, k] * h
            ends = [self.places(nothing, axes, source=self.of(s * shift)) for s in (1, -1)]
            rows.append((ends[0] - ends[1]) / (2 * h))
        x = xp.stack([r[0, :, 0] for r in rows], axis=-1)
        y = xp.stack([r[0, :, 1] for r in rows], axis=-1)
        spread = (xp.sum(x * x, axis=-1), xp.sum(y * y, axis=-1), xp.sum(x * y, axis=-1))
        return size**2 / 16 * xp.stack(spread, axis=-1)

    def places(self, theta: Array, x: Array, **more: Array) -> Array:
        """Return the centroids (trials, 2 planes, 2) at axis positions ``x`` (trials, axes)."""
        readings = self._moments(theta, x, **more)
        return self.xp.reshape(readings, (-1, 2, READINGS))[:, :, :2]

    # From positions and unknowns to readings.

    def _moments(
        self,
        theta: Array,
        x: Array,
        *,
        source: Array | None = None,
        light: Array | None = None,
        figure: Array | None = None,
    ) -> Array:
        """Return readings (trials, 10): x, y, xx, yy, xy at the near and the far plane.

        Parameters
        ----------
        theta
            (trials, unknowns), mm, rad and plain numbers.
        x
            (trials, axes) commanded positions, mm or rad.
        source
            (trials, 3) further shift of the source, mm, bench frame.
        light, figure
            (trials, 2) uneven light and wrong slopes that no unknown describes.
        """
        xp, a = self.xp, len(self.axes)
        scale = theta[:, a : 2 * a]
        amount = (1 + scale) * (theta[:, :a] + x)
        by_two = xp.reshape(theta[:, 2 * a : 4 * a], (-1, a, 2, 1))
        askew = xp.sum(by_two * self.across[None, ...], axis=2)
        position, turned = self._stand(amount, source, askew)
        aim = theta[:, self.first["aim"] : self.first["aim"] + 2]
        rho = theta[:, self.first["rho"]] + self.optic.reflected_focal_length
        alpha = theta[:, self.first["rho"] + 1] + self.optic.off_axis_angle
        f = rho * (1 + xp.cos(alpha)) / 2
        curve, slope = 1 / (4 * f), xp.tan(alpha / 2)
        points, directions, weight = self._launch(position, turned, aim, curve, slope, theta, light)
        out = self._reflected(points, directions, curve, slope, figure)
        rotation, pivot = turned
        # From the mirror's frame to the bench's.
        origin = self._to_bench(self.of(self.mirror.position)[None, :], rotation, pivot)
        frame = xp.matmul(rotation, self.of(self.mirror.rotation))
        points = [
            origin[:, i, None] + sum(frame[:, i, j, None] * points[j] for j in range(3))
            for i in range(3)
        ]
        out = [sum(frame[:, i, j, None] * out[j] for j in range(3)) for i in range(3)]
        return self._read(points, out, weight, theta)

    def _stand(
        self, amount: Array, source: Array | None, askew: Array
    ) -> tuple[Array, tuple[Array, Array]]:
        """Return where the source is (trials, 3), and the mirror's turn with its pivot."""
        xp = self.xp
        position = self.of(self.source.position)[None, :] + 0 * amount[:, :1]
        if source is not None:
            position = position + source
        rotation = self.of(np.eye(3))[None, ...] + 0 * amount[:, :1, None]
        pivot = self.of(np.zeros(3))
        for k, motion in enumerate(self.bench.layout.motions):
            direction = self.of(motion.direction)[None, :] + askew[:, k, :]
            direction = direction / xp.sqrt(xp.sum(direction**2, axis=1))[:, None]
            if motion.part == "source" and motion.kind == "shift":
                position = position + amount[:, k, None] * direction
            elif motion.kind == "turn":
                rotation = xp.matmul(rotation, _turn(xp, direction, amount[:, k]))
                pivot = self.of(motion.pivot)
            else:
                raise UsageError(
                    f"batch: axis {motion.axis} shifts a mirror; only a source is shifted here."
                )
        return position, (rotation, pivot)

    def _to_bench(self, point: Array, rotation: Array, pivot: Array) -> Array:
        away = point - pivot[None, :]
        moved = self.xp.sum(rotation * away[:, None, :], axis=-1)
        return moved + pivot[None, :]

    def _launch(
        self,
        position: Array,
        turned: tuple[Array, Array],
        aim: Array,
        curve: Array,
        slope: Array,
        theta: Array,
        light: Array | None,
    ) -> tuple[list[Array], list[Array], Array]:
        """Return rays on the mirror, in its frame: points, directions and weights."""
        xp = self.xp
        rotation, pivot = turned
        frame = xp.matmul(rotation, self.of(self.mirror.rotation))
        origin = self._to_bench(self.of(self.mirror.position)[None, :], rotation, pivot)
        away = position - origin
        begin = [xp.sum(frame[:, :, i] * away, axis=1)[:, None] for i in range(3)]
        own = xp.matmul(self.of(self.source.rotation)[None, ...], _small(xp, aim))
        local = xp.matmul(xp.matrix_transpose(frame), own)
        if self.on_aperture:
            x = self.u[None, :] + 0 * begin[0]
            y = self.v[None, :] + 0 * begin[0]
            z = curve[:, None] * (x * x + y * y) + slope[:, None] * x
            way = [x - begin[0], y - begin[1], z - begin[2]]
            length = xp.sqrt(way[0] ** 2 + way[1] ** 2 + way[2] ** 2)
            directions = [w / length for w in way]
            u, v = (
                sum(local[:, j, i, None] * directions[j] for j in range(3)) / self.light.na
                for i in range(2)
            )
            gx, gy = 2 * curve[:, None] * x + slope[:, None], 2 * curve[:, None] * y
            facing = directions[2] - gx * directions[0] - gy * directions[1]
            weight = self.weight[None, :] * xp.abs(facing) / length**2
            points = [x, y, z]
        else:
            u, v = self.u[None, :], self.v[None, :]
            na = self.light.na
            n = xp.sqrt(1 - (u * u + v * v) * na**2)
            emitted = [u * na, v * na, n]
            directions = [
                sum(local[:, i, j, None] * emitted[j] for j in range(3)) for i in range(3)
            ]
            t = _meeting(xp, begin, directions, curve, slope)
            points = [begin[i] + t * directions[i] for i in range(3)]
            weight = self.weight[None, :] / n
        first = self.first["uneven"]
        bent = theta[:, first, None] * u + theta[:, first + 1, None] * v
        square, astigmatic, turned_by_45 = u * u + v * v, u * u - v * v, 2 * u * v
        for k, shape in enumerate((square, astigmatic, turned_by_45)):
            bent = bent + theta[:, first + 2 + k, None] * shape
        if light is not None:  # three-fold, which the fit does not know
            bent = bent + light[:, :1] * u * (u * u - 3 * v * v)
            bent = bent + light[:, 1:] * v * (3 * u * u - v * v)
        return points, directions, weight * xp.exp(bent - self.rate * (u * u + v * v))

    def _reflected(
        self,
        points: list[Array],
        directions: list[Array],
        curve: Array,
        slope: Array,
        figure: Array | None,
    ) -> list[Array]:
        x, y = points[0], points[1]
        gx = 2 * curve[:, None] * x + slope[:, None]
        gy = 2 * curve[:, None] * y
        if figure is not None:
            radius = self.optic.clear_aperture / 2
            p, q = x / radius, y / radius
            # Trefoil, which tilts the surface as the square of the distance.
            gx = gx + figure[:, :1] * (p * p - q * q) + figure[:, 1:] * 2 * p * q
            gy = gy - figure[:, :1] * 2 * p * q + figure[:, 1:] * (p * p - q * q)
        size = gx * gx + gy * gy + 1
        k = 2 * (directions[0] * gx + directions[1] * gy - directions[2]) / size
        return [directions[0] - k * gx, directions[1] - k * gy, directions[2] + k]

    def _read(self, points: list[Array], out: list[Array], weight: Array, theta: Array) -> Array:
        xp = self.xp
        w = weight / xp.sum(weight, axis=1)[:, None]
        found = []
        for plane, pose in enumerate(self.planes):
            back = pose.rotation.T
            offset = -back @ pose.position
            local = [
                sum(float(back[i, j]) * points[j] for j in range(3)) + float(offset[i])
                for i in range(3)
            ]
            way = [sum(float(back[i, j]) * out[j] for j in range(3)) for i in range(3)]
            t = -local[2] / way[2]
            x, y = local[0] + t * way[0], local[1] + t * way[1]
            cx, cy = xp.sum(w * x, axis=1), xp.sum(w * y, axis=1)
            dx, dy = x - cx[:, None], y - cy[:, None]
            xx = xp.sum(w * dx * dx, axis=1) + self.blur[plane, 0]
            yy = xp.sum(w * dy * dy, axis=1) + self.blur[plane, 1]
            xy = xp.sum(w * dx * dy, axis=1) + self.blur[plane, 2]
            found += self._seen(plane, (cx, cy, xx, yy, xy), theta)
        return xp.stack(found, axis=-1)

    def _seen(self, plane: int, true: tuple[Array, ...], theta: Array) -> list[Array]:
        """Return the readings of a camera that is rolled, scaled and off its fiducial."""
        xp = self.xp
        x, y, xx, yy, xy = true
        roll = theta[:, self.first["roll"] + plane]
        gain = 1 + theta[:, self.first["pitch"] + plane]
        fiducial = self.first["fiducial"] + 2 * plane
        c, s = xp.cos(roll), xp.sin(roll)
        return [
            gain * (c * x + s * y) + theta[:, fiducial],
            gain * (c * y - s * x) + theta[:, fiducial + 1],
            gain**2 * (c * c * xx + 2 * c * s * xy + s * s * yy),
            gain**2 * (s * s * xx - 2 * c * s * xy + c * c * yy),
            gain**2 * ((c * c - s * s) * xy + c * s * (yy - xx)),
        ]

    # From readings to the spec.

    def tensors(self, readings: Array) -> tuple[list[Array], list[Array], Array]:
        """Return divergence (xx, yy, xy) above its floor, stretch (0°, 45°), pointing (x, y)."""
        xp = self.xp
        near, far = ([readings[:, READINGS * p + k] for k in range(READINGS)] for p in (0, 1))
        pointing = xp.stack([(far[k] - near[k]) / self.length for k in range(2)], axis=-1)
        roots = [_root(xp, *m[2:]) for m in (near, far)]
        width = 2 * (roots[0][0] + roots[0][1])
        theta, waist = self.divergence.source_divergence, self.divergence.waist
        last, first = self.far.distance, self.near.distance
        gained = theta**2 * ((last - waist) ** 2 - (first - waist) ** 2)
        floor = (xp.sqrt(width**2 + gained) - width) / self.length
        grown = [4 * (roots[1][k] - roots[0][k]) / self.length for k in range(3)]
        divergence = [grown[0] - floor, grown[1] - floor, grown[2]]
        # M near M = far: M = N⁻¹ √(N far N) N⁻¹ with N = √near.
        a, b, c = roots[0]
        p, q, r = far[2], far[3], far[4]
        inner = _root(
            xp,
            a * (a * p + c * r) + c * (a * r + c * q),
            c * (c * p + b * r) + b * (c * r + b * q),
            a * (c * p + b * r) + c * (c * r + b * q),
        )
        det = a * b - c * c
        i, j, k = b / det, a / det, -c / det
        p, q, r = inner
        stretch = (
            i * (i * p + k * r) + k * (i * r + k * q),
            k * (k * p + j * r) + j * (k * r + j * q),
            i * (k * p + j * r) + k * (k * r + j * q),
        )
        mean = stretch[0] + stretch[1]
        return divergence, [(stretch[0] - stretch[1]) / mean, 2 * stretch[2] / mean], pointing

    def _residuals(self, readings: Array) -> Array:
        """Return the spec's residuals (trials, 7), smooth, in tolerances."""
        xp = self.xp
        d, e, p = self.tensors(readings)
        amount = xp.sqrt(e[0] ** 2 + e[1] ** 2 + 1e-24)
        ratio = 2 / ((1 + amount) * self.ellipticity.tolerance)
        points = [
            (p[:, k] - self.pointing[c].target) / self.pointing[c].tolerance
            for k, c in enumerate("xy")
        ]
        t = self.divergence.tolerance
        shape = [d[0] / t, d[1] / t, math.sqrt(2) * d[2] / t, ratio * e[0], ratio * e[1]]
        return xp.stack([*points, *shape], axis=-1)

    def _deviations(self, readings: Array) -> Array:
        """Return what each term is off (trials, 4), in its tolerance."""
        xp = self.xp
        d, e, p = self.tensors(readings)
        half, mean = (d[0] - d[1]) / 2, (d[0] + d[1]) / 2
        away = xp.sqrt(half**2 + d[2] ** 2)
        worst = xp.abs(mean) + away
        amount = xp.sqrt(e[0] ** 2 + e[1] ** 2 + 1e-24)
        points = [
            xp.abs(p[:, k] - self.pointing[c].target) / self.pointing[c].tolerance
            for k, c in enumerate("xy")
        ]
        ratio = 2 * amount / (1 + amount) / self.ellipticity.tolerance
        return xp.stack([*points, worst / self.divergence.tolerance, ratio], axis=-1)

    def u_noise(self, readings: Array) -> Array:
        """Return standard deviations (trials, 10) of the noise of readings."""
        xp = self.xp
        found = []
        for p in range(2):
            xx, yy = readings[:, READINGS * p + 2], readings[:, READINGS * p + 3]
            s = self.bench.noise
            found += [s * xp.sqrt(xx), s * xp.sqrt(yy), 2 * s * xx, 2 * s * yy]
            found.append(2 * s * xp.sqrt(xx * yy) / math.sqrt(2))
        return xp.stack(found, axis=-1)

    def _u_terms(self, readings: Array) -> Array:
        """Return standard uncertainties (trials, 4) of the terms, of noise and screens together."""
        xp = self.xp
        now, noise = self._deviations(readings), self.u_noise(readings)
        columns = [noise[:, k, None] * self._unit(k) for k in range(2 * READINGS)]
        for p in range(2):
            own = readings[:, READINGS * p : READINGS * (p + 1)]
            powers = self.of([1.0, 1.0, 2.0, 2.0, 2.0])[None, :]
            scaled = self._within(p, self.known["pitch"] * powers * own)
            columns.append(scaled)
            columns += [
                self.known["fiducial"] * self._unit(READINGS * p + k) + 0 * readings for k in (0, 1)
            ]
        total = 0 * now
        for column in columns:
            total = total + (self._deviations(readings + column) - now) ** 2
        return xp.sqrt(total)

    def _unit(self, k: int) -> Array:
        row = np.zeros((1, 2 * READINGS))
        row[0, k] = 1.0
        return self.of(row)

    def _within(self, plane: int, part: Array) -> Array:
        zero = 0 * part
        both = [part, zero] if plane == 0 else [zero, part]
        return self.xp.concat(both, axis=-1)


def _root(xp: Any, a: Array, b: Array, c: Array) -> tuple[Array, Array, Array]:
    """Square root (xx, yy, xy) of the matrix [[a, c], [c, b]]."""
    det = xp.sqrt(xp.maximum(a * b - c * c, 0 * a))
    size = xp.sqrt(a + b + 2 * det)
    return (a + det) / size, (b + det) / size, c / size


def _turn(xp: Any, k: Array, angle: Array) -> Array:
    """Rotation (trials, 3, 3) by ``angle`` about the unit vectors ``k`` (trials, 3)."""
    c, s = xp.cos(angle), xp.sin(angle)
    x, y, z = (k[:, i] for i in range(3))
    rows = [
        [c + x * x * (1 - c), x * y * (1 - c) - z * s, x * z * (1 - c) + y * s],
        [y * x * (1 - c) + z * s, c + y * y * (1 - c), y * z * (1 - c) - x * s],
        [z * x * (1 - c) - y * s, z * y * (1 - c) + x * s, c + z * z * (1 - c)],
    ]
    return xp.stack([xp.stack(row, axis=-1) for row in rows], axis=-2)


def _small(xp: Any, angles: Array) -> Array:
    """Rotation (trials, 3, 3) by small ``angles`` (trials, 2) about x, then y."""
    zero = 0 * angles[:, 0]
    unit = [xp.stack([zero + 1, zero, zero], axis=-1), xp.stack([zero, zero + 1, zero], axis=-1)]
    first, second = (_turn(xp, unit[i], angles[:, i]) for i in range(2))
    return xp.matmul(first, second)


def _meeting(
    xp: Any, begin: list[Array], directions: list[Array], curve: Array, slope: Array
) -> Array:
    """Length (trials, rays) along each ray to the surface."""
    x, y, z = begin
    l, m, n = directions  # noqa: E741
    curve, slope = curve[:, None], slope[:, None]
    a = curve * (l * l + m * m)
    b = curve * (x * l + y * m) + (slope * l - n) / 2
    c = curve * (x * x + y * y) + slope * x - z
    return -c / (b + xp.sqrt(xp.maximum(b * b - a * c, 0 * b)))
