"""Planes to quality: one vector of quantities with one covariance, by analytic derivatives."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.moments import pitch_covariance, roll_covariance
from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, FlagKind, Use, root, stretch
from autoalign.core.errors import UsageError

__all__ = ["combine", "derivatives", "stated"]

Floats = npt.NDArray[np.float64]
PerPlane = float | Mapping[str, float]


TILTED = 0.87
"""Standard uncertainty of a width on a screen that is tilted by u against the beam, in units of u².

A tilt θ stretches one direction by 1/cos θ ≈ 1 + θ²/2; for a normal distribution of standard
deviation u the root of the mean square of θ²/2 is √3/2 u² (derived here)."""


def stated(
    uncertainties: Mapping[str, float], distances: Mapping[str, float]
) -> dict[str, dict[str, float]]:
    """Return by plane what a bench states of its screens, as :func:`combine` takes it.

    "pitch" (relative), "pixel_aspect" (relative, of the pitch along columns against rows),
    "fiducial" (mm), "roll" and "tilt" (rad) and "distance" (relative) of ``uncertainties`` hold for
    every plane, "far.pitch" and so on for one; what is not stated counts as exact.
    """

    def of(plane: str, what: str) -> float:
        return uncertainties.get(f"{plane}.{what}", uncertainties.get(what, 0.0))

    def stretch_of(plane: str) -> float:
        return TILTED * of(plane, "tilt") ** 2

    # Stretches of both directions, each by itself: what they share, and one against the other.
    return {
        "u_pitch": {p: math.hypot(of(p, "pitch"), stretch_of(p) / math.sqrt(2)) for p in distances},
        "u_origin": {p: of(p, "fiducial") for p in distances},
        "u_distance": {p: of(p, "distance") * abs(z) for p, z in distances.items()},
        "u_pixel_aspect": {
            p: math.hypot(of(p, "pixel_aspect"), stretch_of(p) * math.sqrt(2)) for p in distances
        },
        "u_roll": {p: of(p, "roll") for p in distances},
    }


def combine(
    profiles: Mapping[str, BeamProfile],
    distances: Mapping[str, float],
    *,
    u_pitch: PerPlane = 0.0,
    u_origin: PerPlane = 0.0,
    u_distance: PerPlane = 0.0,
    u_pixel_aspect: PerPlane = 0.0,
    u_roll: PerPlane = 0.0,
    readings: Mapping[str, tuple[float, float]] | None = None,
) -> BeamParameters:
    """Combine the profiles of several planes into the quantities of :mod:`.parameters`.

    Parameters
    ----------
    profiles
        By plane; turned to the plane's axes here.
    distances
        Along the beam, mm, of every plane in ``profiles``. The nearest and the farthest of these
        planes give pointing, divergence and stretch.
    u_pitch
        Relative standard uncertainty of the pixel pitch, for all planes or by plane.
    u_origin
        Standard uncertainty of the plane's zero across the beam, mm.
    u_distance
        Standard uncertainty of each distance, mm.
    u_pixel_aspect
        Relative standard uncertainty of the pitch along columns against that along rows.
    u_roll
        Standard uncertainty of a camera's turn about the beam, rad.
    readings
        Further quantities by name: (value, standard uncertainty), such as ``"meter.power"`` from a
        power meter.

    Returns
    -------
    BeamParameters
        What one kind of flag does to several planes, it does to all of them in the same sense: so
        two saturated frames hardly change the divergence that both show.
        A plane good for position or direction only gives ``p.x`` and ``p.y`` (with the uncertainty
        that its profile states) and its part of the pointing; a plane good for nothing gives
        nothing.

    Raises
    ------
    UsageError
        Without a distance for some plane, with two end planes at one distance, or with a reading
        that bears the name of another quantity.
    """
    missing = [p for p in profiles if p not in distances]
    if missing:
        raise UsageError(
            f"combine: no distance for plane {', '.join(missing)}; give it in mm along the beam. "
            f"Given: {', '.join(distances) or 'none'}."
        )
    order = sorted(profiles, key=lambda p: distances[p])
    planes = [
        _Plane.of(
            p,
            _calibrated(profiles[p], _of(u_pitch, p), _of(u_pixel_aspect, p), _of(u_roll, p)),
            distances[p],
            _of(u_origin, p),
            _of(u_distance, p),
        )
        for p in order
    ]
    return _finish(_collected(planes), planes, readings or {}, distances, profiles)


def derivatives(
    profiles: Mapping[str, BeamProfile], distances: Mapping[str, float]
) -> tuple[tuple[str, ...], Floats]:
    """Return what :func:`combine` would name, (q,), and its derivatives (q, planes, 9).

    Each by the nine moments in the plane's axes, planes in the order of ``profiles``. Every profile
    must have its distance.
    """
    order = sorted(profiles, key=lambda p: distances[p])
    rows = _collected([_Plane.of(p, profiles[p], distances[p], 0.0, 0.0) for p in order])
    slopes = np.array(rows.derivatives)
    return tuple(rows.names), slopes[:, [order.index(p) for p in profiles], :9]


@dataclass(frozen=True, slots=True, eq=False)
class _Plane:
    """One plane: inputs (11,) = nine moments, power, distance; with covariance (11, 11)."""

    name: str
    inputs: Floats
    covariance: Floats
    use: Use
    shifts: Mapping[FlagKind, Floats]

    @classmethod
    def of(
        cls,
        name: str,
        profile: BeamProfile,
        distance: float,
        u_origin: float,
        u_distance: float,
    ) -> _Plane:
        seen = profile.in_plane_axes()
        covariance = np.zeros((11, 11))
        covariance[:9, :9] = seen.covariance
        covariance[[0, 1], [0, 1]] += u_origin**2
        covariance[9, 9] = seen.power_uncertainty**2
        covariance[10, 10] = u_distance**2
        inputs = np.concatenate([seen.moments, [seen.power, distance]])
        return cls(name, inputs, covariance, _use(seen), seen.shifts)


def _calibrated(
    profile: BeamProfile, u_pitch: float, u_pixel_aspect: float, u_roll: float
) -> BeamProfile:
    """Return ``profile``, still along columns and rows, with what its pitch and roll add."""
    more = pitch_covariance(profile.moments, u_pitch, u_pixel_aspect)
    more = more + roll_covariance(profile.moments, u_roll)
    return replace(profile, covariance=profile.covariance + more)


@dataclass(slots=True)
class _Rows:
    """Quantities collected so far: names, values, and derivatives by the inputs of each plane."""

    planes: int
    names: list[str] = field(default_factory=list)
    values: list[float] = field(default_factory=list)
    derivatives: list[Floats] = field(default_factory=list)

    def add(self, name: str, value: float, by_plane: Mapping[int, Mapping[int, float]]) -> None:
        """Add one quantity with its derivatives {plane: {input: derivative}}."""
        row = np.zeros((self.planes, 11))
        for plane, entries in by_plane.items():
            for k, derivative in entries.items():
                row[plane, k] = derivative
        self.names.append(name)
        self.values.append(float(value))
        self.derivatives.append(row)


def _collected(planes: list[_Plane]) -> _Rows:
    rows = _Rows(len(planes))
    for k, plane in enumerate(planes):
        _one_plane(rows, k, plane)
    if len(planes) > 1:
        _two_planes(rows, planes)
    return rows


def _one_plane(rows: _Rows, k: int, plane: _Plane) -> None:
    if plane.use is Use.NOTHING:
        return
    m = plane.inputs
    rows.add(f"{plane.name}.x", m[0], {k: {0: 1.0}})
    rows.add(f"{plane.name}.y", m[1], {k: {1: 1.0}})
    if plane.use is not Use.ALL:
        return
    tensor, by_second = root(m[2:5])
    for row, part in enumerate(("xx", "yy", "xy")):
        slopes = {2 + c: 4 * by_second[row, c] for c in range(3)}
        rows.add(f"{plane.name}.{part}", 4 * tensor[row], {k: slopes})
    for part, second, third in (("skew_x", 2, 5), ("skew_y", 3, 8)):
        skew = m[third] / m[second] ** 1.5
        slopes = {third: m[second] ** -1.5, second: -1.5 * skew / m[second]}
        rows.add(f"{plane.name}.{part}", skew, {k: slopes})
    rows.add(f"{plane.name}.power", m[9], {k: {9: 1.0}})


def _two_planes(rows: _Rows, planes: list[_Plane]) -> None:
    near, far = planes[0], planes[-1]
    last = len(planes) - 1
    length = float(far.inputs[10] - near.inputs[10])
    if not length > 0:
        raise UsageError(
            f"combine: planes {near.name} and {far.name} are at the same distance, "
            f"{far.inputs[10]:g} mm; pointing and divergence need two distances."
        )
    if Use.NOTHING in (near.use, far.use):
        return
    for axis, part in enumerate("xy"):
        value = (far.inputs[axis] - near.inputs[axis]) / length
        rows.add(f"pointing_{part}", value, _ends(last, length, value, {axis: 1.0}, {axis: 1.0}))
    if near.use is not Use.ALL or far.use is not Use.ALL:
        return
    tensor_near, by_near = root(near.inputs[2:5])
    tensor_far, by_far = root(far.inputs[2:5])
    for row, part in enumerate(("xx", "yy", "xy")):
        value = 4 * (tensor_far[row] - tensor_near[row]) / length
        slopes = [{2 + c: 4 * by[row, c] for c in range(3)} for by in (by_near, by_far)]
        rows.add(f"divergence_{part}", value, _ends(last, length, value, *slopes))
    _stretch(rows, near.inputs[2:5], far.inputs[2:5], last)


def _ends(
    last: int, length: float, value: float, near: Mapping[int, float], far: Mapping[int, float]
) -> dict[int, dict[int, float]]:
    """Return the derivatives of (far − near)/length, with those of near and far given."""
    return {
        0: {k: -d / length for k, d in near.items()} | {10: value / length},
        last: {k: d / length for k, d in far.items()} | {10: -value / length},
    }


def _stretch(rows: _Rows, near: Floats, far: Floats, last: int) -> None:
    m, by_near, by_far = stretch(near, far)
    trace = m[0] + m[1]
    for name, numerator in (
        ("astigmatism_0", np.array([1.0, -1.0, 0.0])),
        ("astigmatism_45", np.array([0.0, 0.0, 2.0])),
    ):
        value = float(numerator @ m) / trace
        gradient = (numerator - value * np.array([1.0, 1.0, 0.0])) / trace
        slopes = [gradient @ by for by in (by_near, by_far)]
        ends = (dict(zip((2, 3, 4), s.tolist(), strict=True)) for s in slopes)
        rows.add(name, value, dict(zip((0, last), ends, strict=True)))


def _finish(
    rows: _Rows,
    planes: list[_Plane],
    readings: Mapping[str, tuple[float, float]],
    distances: Mapping[str, float],
    profiles: Mapping[str, BeamProfile],
) -> BeamParameters:
    twice = sorted(set(rows.names) & set(readings))
    if twice:
        raise UsageError(
            f"combine: these readings have the names of other quantities: {', '.join(twice)}."
        )
    count = len(rows.names)
    covariance = np.zeros((count + len(readings), count + len(readings)))
    if count:
        jacobian = np.array(rows.derivatives)
        for k, plane in enumerate(planes):
            part = jacobian[:, k, :]
            covariance[:count, :count] += part @ plane.covariance @ part.T
        covariance[:count, :count] += _in_common(jacobian, planes)
    for k, (_, u) in enumerate(readings.values(), count):
        covariance[k, k] = u**2
    return BeamParameters(
        names=(*rows.names, *readings),
        values=np.array([*rows.values, *(v for v, _ in readings.values())]),
        covariance=covariance,
        distances={p.name: distances[p.name] for p in planes},
        profiles=dict(profiles),
        flags={p: tuple(profiles[p].flags.values()) for p in profiles},
    )


def _in_common(jacobian: Floats, planes: list[_Plane]) -> Floats:
    """Return what flags of one kind at several planes add because they act alike, (q, q)."""
    size = len(jacobian)
    added = np.zeros((size, size))
    for kind in {kind for plane in planes for kind in plane.shifts}:
        each = [
            jacobian[:, k, :9] @ plane.shifts[kind]
            for k, plane in enumerate(planes)
            if kind in plane.shifts
        ]
        whole = np.sum(each, axis=0)
        added += np.outer(whole, whole) - sum(np.outer(one, one) for one in each)
    return added


def _use(profile: BeamProfile) -> Use:
    """Return what the profile is good for; position only where it has no proper width."""
    xx, yy, xy = profile.moments[2:5]
    if profile.use is Use.ALL and not (xx > 0 and yy > 0 and xx * yy > xy * xy):
        return Use.POSITION
    return profile.use


def _of(value: PerPlane, plane: str) -> float:
    return value if isinstance(value, (int, float)) else value.get(plane, 0.0)
