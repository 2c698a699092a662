"""The twin: from axis positions and unknowns to what each detector should show, with derivatives.

Readings are the moments of :data:`autoalign.beam.profile.MOMENTS` per plane, in the plane's axes.
The chain has two halves. How each unknown displaces each part is cheap and taken by one complex
step per unknown; how each displacement changes the readings needs rays, and is taken by one complex
step per part and direction. Their product is the exact derivative.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import lru_cache

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.model.illumination import Shape, bounce, launch, make_grid, shape_of
from autoalign.model.rigid import STEP, exp, placed, vee
from autoalign.model.unknowns import Unknowns, list_unknowns, twist_of
from autoalign.optics.layout import Flat, Layout, Source
from autoalign.optics.pose import Array, Pose, place
from autoalign.optics.rays import Rays

__all__ = ["Prediction", "Twin"]

Floats = npt.NDArray[np.float64]

SOFT = 0.1
"""Length over which a soft aperture fades, in units of its radius."""
PITCHES = np.array([[1.0, 0.5], [1.0, -0.5]])
"""What a plane's two unknowns of pitch do to the pitch along x and y."""
ORDERS = ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1), (3, 0), (2, 1), (1, 2), (0, 3))


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What should be seen: ``moments`` (looks, planes, 9), mm, mm², mm³.

    ``jacobian`` (looks, planes, 9, unknowns) per prior sigma; ``motion`` (looks, planes, 9, axes)
    per mm or rad of each moving axis. Both are None where they were not asked for.
    """

    moments: Floats
    jacobian: Floats | None = None
    motion: Floats | None = None


@dataclass(frozen=True, slots=True)
class _Part:
    """One rigid part: its place on paper, what moves it, and which unknowns displace it."""

    name: str
    nominal: Pose
    axes: tuple[int, ...]
    unknowns: tuple[int, ...]


class Twin:
    """The model of one bench.

    Parameters
    ----------
    layout
        The bench on paper.
    axes
        The axes that move, in the order of the positions. All others are held.
    priors
        Standard uncertainties that replace :data:`.unknowns.PRIORS`, by name.
    """

    def __init__(
        self, layout: Layout, axes: Sequence[Axis], priors: Mapping[str, float] | None = None
    ) -> None:
        self.layout = layout
        self.axes = tuple(axes)
        for axis in self.axes:
            layout.motion(axis.name)
        self.unknowns: Unknowns = list_unknowns(layout, axes, priors)
        self.planes = tuple(p.name for p in layout.planes)
        self._middle = np.array([(a.lower + a.upper) / 2 for a in self.axes])
        self._place_of = {a.name: k for k, a in enumerate(self.axes)}
        self._twists = [twist_of(m) for m in layout.motions]
        self._parts = self._list_parts()
        self._optics = [p for p in self._parts if p.name not in self.planes]
        self._grid = make_grid(layout)
        self._core = np.zeros((len(self.planes), 3))
        self._core = self._core_blur() + self._diffraction_blur()

    @property
    def size(self) -> int:
        """Number of unknowns."""
        return len(self.unknowns)

    def predict(
        self, positions: npt.ArrayLike, phi: Floats, derivatives: bool = False
    ) -> Prediction:
        """Return what should be seen.

        Parameters
        ----------
        positions
            (looks, axes) mm or rad.
        phi
            (unknowns,) in units of their priors.
        derivatives
            Whether to give the derivatives too.

        Where no light is expected at all, the moments are NaN.
        """
        with np.errstate(all="ignore"):  # a pose at which light misses gives NaN, and is meant to
            x = np.atleast_2d(np.asarray(positions, dtype=float)) - self._middle
            return self._predict(x, phi, derivatives=derivatives)

    def _predict(self, x: Floats, phi: Floats, *, derivatives: bool) -> Prediction:
        theta = phi * self.unknowns.sigma
        base = {p.name: self._pose(p, x, theta) for p in self._parts}
        moments = self._moments(base, theta, derivatives)
        if not derivatives:
            read = self._read(moments[:, :, 0], theta)
            return Prediction(read)
        jacobian = self._chain(base, moments, x, theta)
        read = self._read(moments[:, :, 0].real, theta)
        jacobian = self._read_derivatives(moments[:, :, 0].real, jacobian, theta)
        motion = self._motion(jacobian)
        return Prediction(read, jacobian * self.unknowns.sigma, motion)

    def upright(self, positions: npt.ArrayLike, phi: Floats) -> Floats:
        """How upright the beam is at the last plane against the first: (looks, 2).

        What the map from where rays cross the first plane to where they cross the last one does
        to lengths, along two directions: 1 for a beam that keeps its shape, below 0 for one that
        went through a focus (or a focal line) between them. NaN without light, 0 with one plane.

        Parameters
        ----------
        positions
            (looks, axes) mm or rad.
        phi
            (unknowns,) in units of their priors.
        """
        x = np.atleast_2d(np.asarray(positions, dtype=float)) - self._middle
        if len(self.planes) < 2:
            return np.zeros((len(x), 2))
        with np.errstate(all="ignore"):
            theta = phi * self.unknowns.sigma
            base = {p.name: self._pose(p, x, theta) for p in self._parts}
            poses = {p.name: _stepped(base[p.name], 1, 0, False) for p in self._optics}
            values = {d: theta[None, self.unknowns.block(*d).slice] for d in self._direct}
            rays = self._trace(poses, values)
            order = sorted(self.planes, key=lambda name: self.layout.plane(name).distance)
            ends = (_stepped(base[name], 1, 0, False) for name in (order[0], order[-1]))
            return _stretches(*(_cross(rays, pose) for pose in ends))[:, 0]

    # How the unknowns displace the parts.

    def _list_parts(self) -> list[_Part]:
        parts = []
        for name, nominal in place(self.layout).items():
            motions = [k for k, m in enumerate(self.layout.motions) if m.part == name]
            blocks = [self.unknowns.block(name, "rigid")]
            for k in motions:
                axis = self.layout.motions[k].axis
                blocks += [b for (t, _), b in self.unknowns.blocks.items() if t == axis]
            places = tuple(i for b in blocks for i in range(b.start, b.stop))
            parts.append(_Part(name, nominal, tuple(motions), places))
        return parts

    def _pose(self, part: _Part, x: Floats, theta: Array) -> Pose:
        """Pose at each look; ``theta`` (..., unknowns) adds batch dimensions after the looks."""
        looks = x.reshape(len(x), *([1] * (theta.ndim - 1)), x.shape[1])
        motions = []
        for k in part.axes:
            axis = self.layout.motions[k].axis
            nominal, per_unknown = self._twists[k]
            amount = theta[..., self.unknowns.block(axis, "offset").start]
            twist = np.asarray(nominal)
            if axis in self._place_of:
                amount = looks[..., self._place_of[axis]] + amount
                twist = nominal + theta[..., self.unknowns.block(axis, "twist").slice] @ per_unknown
            else:
                amount = amount + np.zeros(looks.shape[:-1])
            motions.append((twist, amount))
        rigid = theta[..., self.unknowns.block(part.name, "rigid").slice]
        pose = placed(part.nominal, motions, rigid)
        shape = looks.shape[:-1] if theta.ndim == 1 else (len(x), *theta.shape[:-1])
        return Pose(
            np.broadcast_to(pose.rotation, (*shape, 3, 3)),
            np.broadcast_to(pose.position, (*shape, 3)),
        )

    def _chain(self, base: dict[str, Pose], moments: Array, x: Floats, theta: Floats) -> Floats:
        """Derivative of the true moments by every unknown (looks, planes, 9, unknowns)."""
        slopes = moments.imag / STEP
        out = np.zeros((*moments.shape[:2], 9, self.size))
        row = 1
        for part in self._optics:
            twists = self._displacements(part, base[part.name], x, theta)
            rows = slopes[:, :, row : row + 6]
            out[..., part.unknowns] += np.einsum("luk,lpkm->lpmu", twists, rows)
            row += 6
        for thing, what in self._direct:
            block = self.unknowns.block(thing, what)
            count = block.stop - block.start
            out[..., block.slice] += np.moveaxis(slopes[:, :, row : row + count], 2, 3)
            row += count
        for k, name in enumerate(self.planes):
            part = next(p for p in self._parts if p.name == name)
            twists = self._displacements(part, base[name], x, theta)
            out[:, k][..., part.unknowns] += np.einsum(
                "luk,lkm->lmu", twists, slopes[:, k, row : row + 6]
            )
        return out

    def _displacements(self, part: _Part, base: Pose, x: Floats, theta: Floats) -> Floats:
        """Twist in the part's frame per unit of each of its unknowns (looks, unknowns, 6)."""
        steps = np.zeros((len(part.unknowns), self.size), dtype=complex)
        steps[np.arange(len(part.unknowns)), part.unknowns] = 1j * STEP
        varied = self._pose(part, x, theta + steps)
        return vee(Pose(base.rotation[:, None], base.position[:, None]), varied)

    @property
    def _direct(self) -> list[tuple[str, str]]:
        """Blocks of unknowns that act on the rays without displacing anything."""
        return [
            *((e.name, "shape") for e in self.layout.elements if not isinstance(e.surface, Flat)),
            ("source", "emission"),
        ]

    # How displacements change what is seen.

    def _moments(self, base: dict[str, Pose], theta: Floats, derivatives: bool) -> Array:
        """(looks, planes, rows, 9): row 0 as it is, then one row per complex step."""
        optics, direct = self._optics, self._direct
        sizes = [self.unknowns.block(*d) for d in direct]
        rows = 1 + 6 * len(optics) + sum(b.stop - b.start for b in sizes) if derivatives else 1
        dtype: type = complex if derivatives else float
        poses = {}
        for k, part in enumerate(optics):
            poses[part.name] = _stepped(base[part.name], rows, 1 + 6 * k, derivatives)
        values = {}
        row = 1 + 6 * len(optics)
        for key, block in zip(direct, sizes, strict=True):
            count = block.stop - block.start
            table: Array = np.tile(theta[block.slice].astype(dtype), (rows, 1))
            if derivatives:
                table[row + np.arange(count), np.arange(count)] += 1j * STEP
            values[key] = table
            row += count
        rays = self._trace(poses, values)
        return np.stack([self._at(base, rays, k, derivatives) for k in range(len(self.planes))], 1)

    def _trace(self, poses: dict[str, Pose], values: dict[tuple[str, str], Array]) -> Rays:
        """Rays (looks, rows, n) in the bench frame after the last element."""
        light, elements = self.layout.light, self.layout.elements
        terms = values["source", "emission"]
        shapes: list[Shape] = []
        for e in elements:
            table: Array = values.get((e.name, "shape"), np.zeros((len(terms), 2)))
            shapes.append(shape_of(e.surface, table[:, 0], table[:, 1]))
        first = poses[elements[0].name]
        rays = launch(light, self._grid, poses["source"], first, shapes[0], terms)
        meet = not self._grid.on_aperture
        for k, e in enumerate(elements):
            pose = poses[e.name]
            if k:
                rays = rays.moved(pose.inverse().compose(poses[elements[k - 1].name]))
            rays = bounce(rays, shapes[k], e.surface.clear_aperture, meet or k > 0, SOFT)
        return rays.moved(poses[elements[-1].name])

    def _at(self, base: dict[str, Pose], rays: Rays, k: int, derivatives: bool) -> Array:
        """Moments (looks, rows, 9) at plane ``k``, six more rows for its own displacements."""
        pose = base[self.planes[k]]
        x, y, w = _cross(rays, Pose(pose.rotation[:, None], pose.position[:, None]))
        if derivatives:
            own = _stepped(pose, 6, 0, True)
            still = Rays(*(getattr(rays, c)[:, :1] for c in ("x", "y", "z", "l", "m", "n", "path")))
            x6, y6, _ = _cross(still, own)
            x, y = np.concatenate([x, x6], 1), np.concatenate([y, y6], 1)
            w = np.concatenate([w, np.broadcast_to(w[:, :1], x6.shape)], 1)
        moments = _central_moments(x, y, w)
        moments[..., 2:5] += self._core[k]
        return moments

    def _on_paper(self) -> dict[str, Pose]:
        """Poses of all parts with every unknown and every axis at its nominal value."""
        theta = np.zeros(self.size)
        return {p.name: self._pose(p, np.zeros((1, len(self.axes))), theta) for p in self._parts}

    def _diffraction_blur(self) -> Floats:
        """Second moments (planes, 3) that diffraction adds to a coherent beam, as on paper.

        A beam of standard deviation σ spreads by λ/(4πσ), as a Gaussian beam does.
        """
        light = self.layout.light
        out = np.zeros((len(self.planes), 3))
        if "gaussian" not in (getattr(light, "emission", ""), getattr(light, "profile", "")):
            return out
        base = self._on_paper()
        theta = np.zeros(self.size)
        poses = {p.name: _stepped(base[p.name], 1, 0, False) for p in self._optics}
        values = {d: theta[None, self.unknowns.block(*d).slice] for d in self._direct}
        rays = self._trace(poses, values)
        for k, plane in enumerate(self.layout.planes):
            local = rays.moved(base[plane.name].inverse())
            spread = _central_moments(local.x[0, 0], local.y[0, 0], rays.power[0, 0])[2:4]
            lever = light.rms_wavelength * plane.distance / (4 * np.pi)
            out[k, :2] = lever**2 / spread
        return out

    def _core_blur(self) -> Floats:
        """Second moments (planes, 3) that the finite core adds, at the nominal place."""
        light = self.layout.light
        # Rows of :meth:`_moments`: the source is the first part; its turns, then its shifts.
        if isinstance(light, Source):
            variance, rows = light.core_diameter**2 / 16, [4, 5]
        else:
            variance, rows = light.divergence**2 / 16, [1, 2]
        theta = np.zeros(self.size)
        base = self._on_paper()
        j = self._moments(base, theta, True).imag[0][:, rows, :2] / STEP
        spread = variance * np.einsum("pki,pkj->pij", j, j)
        return np.stack([spread[:, 0, 0], spread[:, 1, 1], spread[:, 0, 1]], axis=-1)

    # How detectors read what is there.

    def _read(self, moments: Floats, theta: Floats) -> Floats:
        gain, bias = self._readout(theta)
        return moments * gain * (1 + bias) + self._cross_bias(moments, theta)

    def _readout(self, theta: Floats) -> tuple[Floats, Floats]:
        gain, bias = np.ones((len(self.planes), 9)), np.zeros((len(self.planes), 9))
        for k, name in enumerate(self.planes):
            px, py = 1 + PITCHES @ theta[self.unknowns.block(name, "pitch").slice]
            gain[k] = [px**a * py**b for a, b in ORDERS]
            bias[k, 2:4] = theta[self.unknowns.block(name, "width").slice][:2]
        return gain, bias

    def _cross_bias(self, moments: Floats, theta: Floats) -> Floats:
        out = np.zeros_like(moments)
        for k, name in enumerate(self.planes):
            b = theta[self.unknowns.block(name, "width").slice][2]
            out[:, k, 4] = b * (moments[:, k, 2] + moments[:, k, 3]) / 2
        return out

    def _read_derivatives(self, moments: Floats, jacobian: Floats, theta: Floats) -> Floats:
        gain, bias = self._readout(theta)
        out = jacobian * (gain * (1 + bias))[..., None]
        for k, name in enumerate(self.planes):
            pitch, width = (self.unknowns.block(name, w) for w in ("pitch", "width"))
            b = theta[width.slice][2]
            out[:, k, 4] += b * (jacobian[:, k, 2] + jacobian[:, k, 3]) / 2
            grown = np.array(ORDERS) / (1 + PITCHES @ theta[pitch.slice]) @ PITCHES
            read = moments[:, k] * gain[k] * (1 + bias[k])
            out[:, k, :, pitch.slice] += read[..., None] * grown
            for j in range(2):
                out[:, k, 2 + j, width.start + j] += moments[:, k, 2 + j] * gain[k, 2 + j]
            out[:, k, 4, width.start + 2] += (moments[:, k, 2] + moments[:, k, 3]) / 2
        return out

    def _motion(self, jacobian: Floats) -> Floats:
        """An axis moves as its offset would."""
        places = [self.unknowns.block(a.name, "offset").start for a in self.axes]
        return jacobian[..., places]


def _stepped(base: Pose, rows: int, first: int, derivatives: bool) -> Pose:
    """Repeat ``base`` (looks) over ``rows``, displaced by a complex step in rows first … + 5."""
    pose = Pose(base.rotation[:, None], base.position[:, None])
    if not derivatives:
        return pose
    return pose.compose(_steps(rows, first))


@lru_cache(maxsize=64)
def _steps(rows: int, first: int) -> Pose:
    twists = np.zeros((rows, 6), dtype=complex)
    twists[first + np.arange(6), np.arange(6)] = 1j * STEP
    return exp(twists)


def _cross(rays: Rays, plane: Pose) -> tuple[Array, Array, Array]:
    """Where rays cross z = 0 of ``plane``, and their weight."""
    local = rays.moved(plane.inverse())
    t = -local.z / local.n
    weight = rays.weight if rays.weight is not None else np.ones_like(t)
    return local.x + t * local.l, local.y + t * local.m, weight


def _stretches(near: tuple[Array, ...], far: tuple[Array, ...]) -> Floats:
    """Real parts (..., 2) of the eigenvalues of the linear map between places (x, y, weight)."""
    w = near[2] / near[2].sum(axis=-1, keepdims=True)
    u, v = (
        np.stack([c - (w * c).sum(axis=-1, keepdims=True) for c in spot[:2]], axis=-2)
        for spot in (near, far)
    )
    across, own = (np.einsum("...ik,...jk,...k->...ij", a, u, w) for a in (v, u))
    seen = np.all(np.isfinite(across) & np.isfinite(own), axis=(-2, -1))[..., None]
    blank = np.eye(2)
    safe = np.where(seen[..., None], own, blank)
    carried = np.where(seen[..., None], across, blank) @ np.linalg.pinv(safe)
    return np.where(seen, np.linalg.eigvals(carried).real, np.nan)


def _central_moments(x: Array, y: Array, w: Array) -> Array:
    w = w / w.sum(axis=-1, keepdims=True)
    cx, cy = (w * x).sum(axis=-1), (w * y).sum(axis=-1)
    u, v = x - cx[..., None], y - cy[..., None]
    wu, wv = w * u, w * v
    uu, vv = u * u, v * v
    terms = [wu * u, wv * v, wu * v, wu * uu, wv * uu, wu * vv, wv * vv]
    return np.stack([cx, cy, *(t.sum(axis=-1) for t in terms)], axis=-1)
