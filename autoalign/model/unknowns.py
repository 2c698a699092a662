"""What is not known of a bench, and how well each of it is known beforehand.

Every unknown has a standard uncertainty, its prior; the fit works with unknowns in units of it.
:data:`PRIORS` are the defaults; a bench overrides them by name (``Bench.uncertainties``), for all
("pitch"), or for one thing ("far.pitch", "source.x.scale", "mirror.rho").
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.core.errors import unknown_name
from autoalign.optics.layout import Flat, Layout, Motion
from autoalign.optics.pose import Array

__all__ = ["PRIORS", "Block", "Unknowns", "list_unknowns", "position_sigma", "twist_of"]

PRIORS: dict[str, float] = {
    "offset": 0.25,  # where an axis stands against alignment, as a part of its travel
    "locked_shift": 1.5,  # the same for an axis that is held, mm
    "locked_turn": 6e-3,  # and rad
    "scale": 0.017,  # true over commanded motion, minus 1 (3 %)
    "direction": 0.02,  # of an axis, rad (2°)
    "pivot": 14.0,  # of an axis of rotation, mm (25 mm)
    "wobble": 2e-4,  # turn of a shifting stage, rad/mm
    "runout": 1.0,  # shift of a turning stage along its axis, mm/rad
    "shift": 0.4,  # of a part as mounted, mm
    "turn": 4e-3,  # of a part as mounted, rad
    "aim": 0.01,  # direction in which the source emits, rad
    "distance": 0.006,  # of a plane, as a part of it (1 %)
    "fiducial": 0.3,  # zero of a screen, mm (0.5 mm)
    "tilt": 0.02,  # of a screen, rad (2°)
    "roll": 0.01,  # of a screen, rad (1°)
    "pitch": 0.006,  # of the pixels, as a part of it (1 %)
    "width": 0.003,  # of a beam as read, as a part of it (figure error, background)
    "na": 0.5,  # quadratic change of the log of the emission at the NA, round
    "uneven": 0.25,  # each other term of the log of the emission at the NA
    "rho": 0.006,  # of a reflected focal length, as a part of it (1 %)
    "alpha": 0.0025,  # of an off-axis angle, rad (0.25°)
}
"""Standard uncertainties beforehand, in the units that the comments name.

A tolerance in brackets is the half-width of a rectangular distribution, of which the standard
uncertainty is 1/√3 (GUM, JCGM 100, type B)."""

EMISSION_TERMS = 14


@dataclass(frozen=True, slots=True)
class Block:
    """Unknowns ``start`` to ``stop`` that say one ``what`` ("twist", "rigid" …) of one thing."""

    thing: str
    what: str
    start: int
    stop: int

    @property
    def slice(self) -> slice:
        """The block's place in the vector of unknowns."""
        return slice(self.start, self.stop)


@dataclass(frozen=True, slots=True, eq=False)
class Unknowns:
    """All unknowns of a bench: ``names`` (m,), priors ``sigma`` (m,), and their ``blocks``."""

    names: tuple[str, ...]
    sigma: npt.NDArray[np.float64]
    blocks: dict[tuple[str, str], Block]

    def __len__(self) -> int:
        return len(self.names)

    def block(self, thing: str, what: str) -> Block:
        """Return one block."""
        return self.blocks[thing, what]

    def index(self, name: str) -> int:
        """Return the place of the unknown called ``name``."""
        if name not in self.names:
            raise unknown_name("unknown", name, self.names, "model")
        return self.names.index(name)


class _Builder:
    def __init__(self, overrides: Mapping[str, float]) -> None:
        self.overrides = overrides
        self.names: list[str] = []
        self.sigma: list[float] = []
        self.blocks: dict[tuple[str, str], Block] = {}

    def prior(self, thing: str, what: str) -> float:
        """The most particular value that is given, or the default."""
        given = self.stated(thing, what)
        return PRIORS[what] if given is None else given

    def stated(self, thing: str, what: str) -> float | None:
        """The most particular value that is given."""
        for key in (f"{thing}.{what}", f"{thing.rpartition('.')[0]}.{what}", what):
            if key in self.overrides:
                return float(self.overrides[key])
        return None

    def add(self, thing: str, what: str, parts: Sequence[tuple[str, float]]) -> None:
        start = len(self.names)
        self.names += [f"{thing}.{name}" for name, _ in parts]
        self.sigma += [sigma for _, sigma in parts]
        self.blocks[thing, what] = Block(thing, what, start, len(self.names))


def list_unknowns(
    layout: Layout, axes: Sequence[Axis], overrides: Mapping[str, float] | None = None
) -> Unknowns:
    """Return the unknowns of ``layout``; ``axes`` are those that move, all others are locked."""
    build = _Builder(overrides or {})
    moving = {a.name: a for a in axes}
    for motion in layout.motions:
        _add_axis(build, motion, moving.get(motion.axis))
    p = build.prior
    shift, turn = p("source", "shift"), p("source", "aim")
    build.add("source", "rigid", _six([shift] * 3, [turn, turn, 1e-6]))
    for e in layout.elements:
        build.add(e.name, "rigid", _six([p(e.name, "shift")] * 3, [p(e.name, "turn")] * 3))
        if not isinstance(e.surface, Flat):
            rho = e.surface.reflected_focal_length * p(e.name, "rho")
            build.add(e.name, "shape", [("rho", rho), ("alpha", p(e.name, "alpha"))])
    for q in layout.planes:
        mark, tilt = p(q.name, "fiducial"), p(q.name, "tilt")
        away = abs(q.distance) * p(q.name, "distance")
        build.add(q.name, "rigid", _six([mark, mark, away], [tilt, tilt, p(q.name, "roll")]))
        width = p(q.name, "width")
        build.add(q.name, "pitch", _pitch(p(q.name, "pitch"), build.stated(q.name, "pixel_aspect")))
        build.add(q.name, "width", [(f"width_{k}", 2 * width) for k in ("xx", "yy", "xy")])
    uneven = [p("source", "uneven")] * EMISSION_TERMS
    uneven[2] = p("source", "na")
    build.add("source", "emission", [(f"emission_{k}", s) for k, s in enumerate(uneven)])
    return Unknowns(tuple(build.names), np.array(build.sigma), build.blocks)


def _pitch(pitch: float, pixel_aspect: float | None) -> list[tuple[str, float]]:
    """Errors of the pitch: what columns and rows share, and columns against rows.

    Where the latter is not stated, columns and rows are each as uncertain as the pitch, by
    themselves.
    """
    if pixel_aspect is None:
        return [("pitch", pitch / math.sqrt(2)), ("pixel_aspect", pitch * math.sqrt(2))]
    return [("pitch", pitch), ("pixel_aspect", pixel_aspect)]


def _six(shifts: Sequence[float], turns: Sequence[float]) -> list[tuple[str, float]]:
    names = ("turn_x", "turn_y", "turn_z", "shift_x", "shift_y", "shift_z")
    return list(zip(names, [*turns, *shifts], strict=True))


def _add_axis(build: _Builder, motion: Motion, axis: Axis | None) -> None:
    name, p = motion.axis, build.prior
    if axis is None:
        locked = "locked_shift" if motion.kind == "shift" else "locked_turn"
        build.add(name, "offset", [("offset", p(name, locked))])
        return
    build.add(name, "offset", [("offset", p(name, "offset") * axis.travel)])
    lateral = p(name, "direction")
    if motion.kind == "shift":
        wobble = p(name, "wobble")
        sizes = [p(name, "scale"), lateral, lateral, wobble, wobble, wobble]
    else:
        pivot = p(name, "pivot")
        sizes = [p(name, "scale"), lateral, lateral, p(name, "runout"), pivot, pivot]
    parts = ("scale", "across_1", "across_2", "second_0", "second_1", "second_2")
    build.add(name, "twist", list(zip(parts, sizes, strict=True)))


def twist_of(motion: Motion) -> tuple[Array, Array]:
    """Return the nominal twist (6,) of ``motion`` per unit, and what each unknown adds (6, 6).

    A twist is (turn, shift) in the bench frame. The rows are the unknowns of a block "twist":
    scale, two directions across, then the same three directions of the other half (turn of a
    shifting stage; shift of a turning one, which is where its pivot shows).
    """
    k = np.asarray(motion.direction, dtype=float)
    helper = np.eye(3)[int(np.argmin(np.abs(k)))]
    across = np.cross(k, helper)
    across /= np.linalg.norm(across)
    frame = np.stack([k, across, np.cross(k, across)])
    zero = np.zeros((3, 3))
    if motion.kind == "shift":
        return np.concatenate([np.zeros(3), k]), np.block([[zero, frame], [frame, zero]])
    lever = np.cross(np.asarray(motion.pivot, dtype=float), frame)
    nominal = np.concatenate([k, lever[0]])
    return nominal, np.block([[frame, lever], [zero, frame]])


def position_sigma(axis: Axis) -> float:
    """Return the standard uncertainty of a position: rounding, and some backlash left over."""
    return float(np.hypot(max(axis.resolution, 1e-7) / 2, 0.1 * axis.backlash))
