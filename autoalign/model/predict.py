"""The model: from axis positions and unknowns to what each detector should show, with derivatives.

Readings are the moments of :data:`autoalign.beam.profile.MOMENTS` per plane, in the plane's axes.
The chain has two halves. How each unknown displaces each part is taken by one complex step per
unknown; how the readings change as a part is displaced against the next one is given by
:mod:`.flight`, for the rays that are there already. Their product is the exact derivative, and is
made only where it is asked for.
"""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass
from itertools import pairwise

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.model.illumination import make_grid
from autoalign.model.poses import Stack, Stand, carry_twist
from autoalign.model.ray_derivatives import (
    Flight,
    Mirror,
    central_moments,
    moment_changes,
    shape_of,
)
from autoalign.model.unknowns import Unknowns, list_unknowns
from autoalign.optics.ideal import effective_size
from autoalign.optics.layout import Flat, Layout, Source
from autoalign.optics.pose import Pose

__all__ = ["BenchModel", "LightField", "Prediction"]

Floats = npt.NDArray[np.float64]

SOFT = 0.1
"""Length over which a soft aperture fades, in units of its radius."""
PITCHES = np.array([[1.0, 0.5], [1.0, -0.5]])
"""What a plane's two unknowns of pitch do to the pitch along x and y."""
_POSE = ("rotation", "position")
ORDERS = ((1, 0), (0, 1), (2, 0), (0, 2), (1, 1), (3, 0), (2, 1), (1, 2), (0, 3))


@dataclass(frozen=True, slots=True, eq=False)
class Prediction:
    """What should be seen: ``moments`` (measurements, planes, 9), mm, mm², mm³.

    ``jacobian`` (measurements, planes, 9, unknowns) per prior sigma; ``motion`` (measurements,
    planes, 9, axes) per mm or rad of each moving axis. Both are None until :meth:`derived` is asked
    for them.
    """

    moments: Floats
    jacobian: Floats | None = None
    motion: Floats | None = None
    _derive: Callable[[], tuple[Floats, Floats]] | None = None

    def derived(self) -> Prediction:
        """Return the prediction with its derivatives, for the rays that were traced for it."""
        if self.jacobian is not None:
            return self
        assert self._derive is not None
        jacobian, motion = self._derive()
        return Prediction(self.moments, jacobian, motion)


@dataclass(frozen=True, slots=True, eq=False)
class LightField:
    """Rays from the middle of the source at places along the beam.

    ``at`` (places, 2, rays), mm, and ``slopes`` alike, where they cross; ``weight`` (rays,) their
    power. ``contracted(weights)`` gives for weights (places, numbers, 2, rays) how the sums of
    weights times ``at`` change with every unknown, (numbers, unknowns) per prior sigma, and with
    every moving axis, (numbers, axes) per mm or rad.
    """

    at: Floats
    slopes: Floats
    weight: Floats
    contracted: Callable[[Floats], tuple[Floats, Floats]]


class BenchModel:
    """The model of one bench.

    Parameters
    ----------
    layout
        The bench on paper.
    axes
        The axes that move, in the order of the positions. All others are locked.
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
        self._stack = Stack(layout, self.axes, self.unknowns)
        self._offsets = [self.unknowns.block(a.name, "offset").start for a in self.axes]
        self._grid = make_grid(layout)
        self._core = np.zeros((len(self.planes), 3))
        self._core = self._core_blur()

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
            (measurements, axes) mm or rad.
        phi
            (unknowns,) in units of their priors.
        derivatives
            Whether to give the derivatives too.

        Where no light is expected at all, the moments are NaN.
        """
        with np.errstate(all="ignore"):  # a pose at which light misses gives NaN, and is meant to
            x = np.atleast_2d(np.asarray(positions, dtype=float)) - self._middle
            theta = phi * self.unknowns.sigma
            stand = self._stack.stand(x, theta)
            flight = self._flight(stand, theta)
            true = self._moments(stand, flight)
            seen = Prediction(
                self._read(true, theta), _derive=lambda: self._derive(stand, flight, true, theta)
            )
            return seen.derived() if derivatives else seen

    def _derive(
        self, stand: Stand, flight: Flight, true: Floats, theta: Floats
    ) -> tuple[Floats, Floats]:
        """Derivatives of the readings by every unknown, and by the motion of every axis."""
        with np.errstate(all="ignore"):
            jacobian = self._read_derivatives(true, self._chain(stand, flight), theta)
        # An axis moves as its offset would.
        return jacobian * self.unknowns.sigma, jacobian[..., self._offsets]

    def upright(self, positions: npt.ArrayLike, phi: Floats) -> Floats:
        """How upright the beam is at the last plane against the first: (measurements, 2).

        What the map from where rays cross the first plane to where they cross the last one does
        to lengths, along two directions: 1 for a beam that keeps its shape, below 0 for one that
        went through a focus (or a focal line) between them. NaN without light, 0 with one plane.

        Parameters
        ----------
        positions
            (measurements, axes) mm or rad.
        phi
            (unknowns,) in units of their priors.
        """
        x = np.atleast_2d(np.asarray(positions, dtype=float)) - self._middle
        if len(self.planes) < 2:
            return np.zeros((len(x), 2))
        with np.errstate(all="ignore"):
            theta = phi * self.unknowns.sigma
            stand = self._stack.stand(x, theta)
            flight = self._flight(stand, theta)
            order = sorted(self.planes, key=lambda name: self.layout.plane(name).distance)
            at = flight.crossing(self._to_planes(stand))[0]
            near, far = (at[:, self.planes.index(name)] for name in (order[0], order[-1]))
            return _stretches(near, far, flight.weight)

    def light_field(
        self, positions: npt.ArrayLike, phi: Floats, places: Sequence[Pose]
    ) -> LightField:
        """Return where rays from the middle of the source cross z = 0 of ``places``.

        Parameters
        ----------
        positions
            (axes,) mm or rad.
        phi
            (unknowns,) in units of their priors.
        places
            Frames in the bench's that stand still, whatever is moved or uncertain.
        """
        with np.errstate(all="ignore"):
            x = np.atleast_2d(np.asarray(positions, dtype=float)) - self._middle
            theta = phi * self.unknowns.sigma
            stand = self._stack.stand(x, theta)
            flight = self._flight(stand, theta)
            steps = self._fixed(stand, places)
            crossing = flight.crossing(steps)

        def contracted(weights: Floats) -> tuple[Floats, Floats]:
            with np.errstate(all="ignore"):
                moved = flight.crossing_changes(steps, flight.changes(), crossing)
                rows = np.einsum("mpric,pkic->mprk", moved, weights)
                n = flight.rows
                each = self._by_unknown(
                    stand, flight, steps, rows[:, :, :n], rows[:, :, n : n + 6], {}
                )
            total = each[0].sum(axis=0)
            return total * self.unknowns.sigma, total[:, self._offsets]

        return LightField(crossing[0][0], crossing[1][0], flight.weight[0], contracted)

    # How displacements change what is measured.

    def _flight(self, stand: Stand, theta: Floats) -> Flight:
        """Trace the rays."""
        mirrors, steps, before = [], [], "source"
        for k, e in enumerate(self.layout.elements):
            shape = self.unknowns.blocks.get((e.name, "shape"))
            change = theta[shape.slice] if shape is not None else np.zeros(2)
            lit_whole = k == 0 and self._grid.on_aperture
            mirrors.append(
                Mirror(shape_of(e.surface, change), e.surface.clear_aperture, SOFT, lit_whole)
            )
            steps.append(stand.poses[e.name].inverse().compose(stand.poses[before]))
            before = e.name
        terms = theta[self.unknowns.block("source", "emission").slice]
        return Flight(self.layout.light, terms, self._grid, steps, mirrors)

    def _to_planes(self, stand: Stand) -> Pose:
        """Poses (measurements, planes) of the last element in the planes' frames."""
        last = stand.poses[self.layout.elements[-1].name]
        poses = [stand.poses[name] for name in self.planes]
        planes = Pose(*(np.stack([getattr(p, c) for p in poses], 1) for c in _POSE))
        return planes.inverse().compose(Pose(last.rotation[:, None], last.position[:, None]))

    def _moments(self, stand: Stand, flight: Flight) -> Floats:
        """True moments (measurements, planes, 9)."""
        at = flight.crossing(self._to_planes(stand))[0]
        moments = central_moments(at, flight.weight[:, None])
        moments[:, :, 2:5] += self._core
        return moments

    def _fixed(self, stand: Stand, places: Sequence[Pose]) -> Pose:
        """Poses (measurements, places) of the last element in frames that stand still."""
        last = stand.poses[self.layout.elements[-1].name]
        fixed = Pose(*(np.stack([getattr(p, c) for p in places])[None] for c in _POSE))
        return fixed.inverse().compose(Pose(last.rotation[:, None], last.position[:, None]))

    def _changes(self, stand: Stand, flight: Flight) -> tuple[Floats, Floats, Floats]:
        """How true moments change (measurements, planes, rows, 9): with each row of flight, each
        displacement of the last element in the plane's frame, with each term of the emission."""
        steps, changes = self._to_planes(stand), flight.changes()
        crossing = flight.crossing(steps)
        moved = flight.crossing_changes(steps, changes, crossing)
        still = np.zeros((len(moved), 6, moved.shape[-1]))
        logs = np.concatenate([changes.log_weight, still, flight.bending()], axis=1)
        rows = moment_changes(crossing[0], flight.weight[:, None], moved, logs[:, None])
        n = flight.rows
        return rows[:, :, :n], rows[:, :, n : n + 6], rows[:, :, n + 6 :]

    def _chain(self, stand: Stand, flight: Flight) -> Floats:
        """Derivative of the true moments by every unknown (measurements, planes, 9, unknowns)."""
        rows, own, bending = self._changes(stand, flight)
        of_planes = {name: np.zeros((*rows.shape[:2], 6, 9)) for name in self.planes}
        for k, name in enumerate(self.planes):
            of_planes[name][:, k] -= own[:, k]
        out = self._by_unknown(stand, flight, self._to_planes(stand), rows, own, of_planes)
        emission = self.unknowns.block("source", "emission").slice
        out[..., emission] = np.swapaxes(bending, -1, -2)
        return out

    def _by_unknown(
        self,
        stand: Stand,
        flight: Flight,
        steps: Pose,
        rows: Floats,
        own: Floats,
        of_planes: Mapping[str, Floats],
    ) -> Floats:
        """Derivatives (measurements, places, numbers, unknowns) of what is seen at some places.

        ``rows`` (measurements, places, rows of flight, numbers) and ``own`` (…, 6, numbers) say how
        the numbers change with each row of ``flight`` and with each displacement of the last
        element in the frames that ``steps`` lead into; ``of_planes`` alike how they change as a
        plane is displaced.
        """
        names = ["source", *(e.name for e in self.layout.elements)]
        shape = (*rows.shape[:2], 6, rows.shape[-1])
        by_part = {name: np.zeros(shape) for name in names} | dict(of_planes)
        for k, (before, name) in enumerate(pairwise(names)):
            slope = rows[:, :, flight.of_step(k)]
            by_part[before] += _carried(flight.steps[k], slope)
            by_part[name] -= slope
        by_part[names[-1]] += np.swapaxes(carry_twist(steps), -1, -2) @ own
        out = np.zeros((*rows.shape[:2], rows.shape[-1], self.size))
        for name, (unknowns, twists) in stand.displacements().items():
            if name in by_part:
                out[..., unknowns] += np.swapaxes(twists[:, None] @ by_part[name], -1, -2)
        for k, e in enumerate(self.layout.elements):
            if not isinstance(e.surface, Flat):
                by_shape = np.swapaxes(rows[:, :, flight.of_shape(k)], -1, -2)
                out[..., self.unknowns.block(e.name, "shape").slice] = by_shape
        return out

    def _on_paper(self) -> tuple[Stand, Flight]:
        """How the parts stand and the rays run with everything at its nominal value."""
        theta = np.zeros(self.size)
        stand = self._stack.stand(np.zeros((1, len(self.axes))), theta)
        return stand, self._flight(stand, theta)

    def _core_blur(self) -> Floats:
        """Second moments (planes, 3) that core and diffraction add, at the nominal place."""
        light = self.layout.light
        variance = effective_size(light) ** 2 / 16
        rows = [3, 4] if isinstance(light, Source) else [0, 1]  # shifts of the source, its turns
        stand, flight = self._on_paper()
        slope = self._changes(stand, flight)[0][:, :, flight.of_step(0)]
        j = _carried(flight.steps[0], slope)[0][:, rows, :2]
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


def _carried(step: Pose, slope: Floats) -> Floats:
    """Changes by displacements (measurements, planes, 6, 9) in the frame that ``step`` enters, as
    changes by those in the frame that it comes from."""
    return np.asarray(np.swapaxes(carry_twist(step), -1, -2)[:, None] @ slope, dtype=np.float64)


def _stretches(near: Floats, far: Floats, weight: Floats) -> Floats:
    """Real parts (measurements, 2) of the eigenvalues of the map between ``places``."""
    w = weight / weight.sum(axis=-1, keepdims=True)
    u, v = (spot - (w[:, None] * spot).sum(axis=-1, keepdims=True) for spot in (near, far))
    across, own = (np.einsum("...ik,...jk,...k->...ij", a, u, w) for a in (v, u))
    seen = np.all(np.isfinite(across) & np.isfinite(own), axis=(-2, -1))[..., None]
    blank = np.eye(2)
    safe = np.where(seen[..., None], own, blank)
    carried = np.where(seen[..., None], across, blank) @ np.linalg.pinv(safe)
    return np.where(seen, np.linalg.eigvals(carried).real, np.nan)
