"""What a bench without noise would measure: moments at every plane, and the named quantities.

Second moments are those of the Wigner function, so that diffraction is in them exactly as far as
moments go: a source's face is at least 2λ/(π NA) wide, a beam has the effective full divergence
√(Θ² + (4λ/π D)²). Everything keeps complex numbers and batch dimensions.

Names and definitions are those of :mod:`autoalign.beam.parameters`.
"""

from __future__ import annotations

import math
from collections.abc import Mapping

import numpy as np

from autoalign.optics.layout import Beam, Layout, Source
from autoalign.optics.pose import Array, Pose, place
from autoalign.optics.rays import Rays
from autoalign.optics.sources import aimed, bundle, cone, disk_grid, emission
from autoalign.optics.trace import height, hits, trace_to_planes

__all__ = [
    "effective_size",
    "footprints",
    "overfill",
    "overfills",
    "plane_moments",
    "quantities",
    "quantities_of",
]

_RINGS, _SPOKES = 8, 16
_RIM = 1e-4
"""Brightness of the rim, against the middle, from which light is followed on the mirror's aperture.

There, rays on the aperture and rays in the source's own far field give widths with the same error,
1e-4 of the beam's own (against ten times as many rays): with more light on the rim the far field
leaves out what the rim cuts off, with less the aperture has too few rays within the beam."""

_CORNERS = 4
"""Times as many spokes where the outline of the light may have corners, between two edges."""

_CORE = 2.4
"""A smooth profile that underfills its mirror is followed to this many of its own radii."""

Moments = dict[str, Array]


def overfill(layout: Layout) -> float:
    """Return the brightest intensity on the first element's rim, against the chief ray's.

    A hard-edged beam gives 1 where it reaches the rim anywhere, else 0.
    """
    light, element, poses = layout.light, layout.elements[0], place(layout)
    angle = 2 * np.pi * np.arange(16) / 16
    radius = element.surface.clear_aperture / 2
    x, y = radius * np.cos(angle), radius * np.sin(angle)
    z, _, _ = height(element.surface, x, y)
    local = poses["source"].inverse().compose(poses[element.name]).apply(np.stack([x, y, z], -1))
    across = local[:, 0] ** 2 + local[:, 1] ** 2
    if isinstance(light, Source):
        across = across / np.sum(local**2, axis=1)
        hard, edge, intensity = light.emission == "uniform", light.na, emission(light, across)
    else:
        hard, edge = light.profile == "uniform", light.diameter / 2
        intensity = np.exp(-2 * across / edge**2)
    return float(np.any(across <= edge**2)) if hard else float(np.max(intensity))


def footprints(layout: Layout) -> dict[str, tuple[float, float]]:
    """Return by element how wide the edge of the light is there, and the aperture that takes it.

    The edge is that of the NA, or of the diameter; widths, mm, are in the element's own frame: for
    a paraboloid seen along the collimated beam, for a flat along its normal. The aperture is twice
    the distance of the farthest edge ray from the element's centre; where some of the edge misses
    the surface, both are infinite. Elements are taken as large enough for the edge.
    """
    light = layout.light
    angle = 2 * np.pi * np.arange(360) / 360
    zero = np.zeros_like(angle)
    if isinstance(light, Source):
        l, m = light.na * np.cos(angle), light.na * np.sin(angle)  # noqa: E741
        rays = Rays(zero, zero, zero, l, m, np.sqrt(1 - l * l - m * m), zero)
    else:
        x, y = light.diameter / 2 * np.cos(angle), light.diameter / 2 * np.sin(angle)
        rays = Rays(x, y, zero, zero, zero, zero + 1, zero)
    found = {}
    with np.errstate(invalid="ignore"):
        for element, local in hits(layout, place(layout), rays):
            across = float(max(np.ptp(local.x), np.ptp(local.y)))
            aperture = 2 * float(np.max(np.hypot(local.x, local.y)))
            ends = (across, aperture) if math.isfinite(aperture) else (math.inf, math.inf)
            found[element.name] = ends
    return found


def overfills(layout: Layout) -> bool:
    """Return whether the first element's aperture, not the source, ends the beam.

    Every model of what a bench shows sets its rays on the aperture then.
    """
    return overfill(layout) > _RIM


def plane_moments(
    layout: Layout, poses: Mapping[str, Pose], rings: int = _RINGS, spokes: int = _SPOKES
) -> dict[str, Moments]:
    """Return the moments of the light at every plane.

    By plane: "power" (part of the emitted light), "x", "y" (mm), central "xx", "yy", "xy" (mm²),
    "xxx", "xxy", "xyy", "yyy" (mm³); each of the batch shape of ``poses``. Light that overfills the
    first element is cut by its aperture exactly, and hard-edged light that covers part of it is
    followed to its own edge; apertures behind it are taken as large enough.
    """
    parts = [
        (share, trace_to_planes(layout, poses, rays, clip=False))
        for share, rays in _pencils(layout, poses, rings, spokes)
    ]
    found = {}
    for plane in layout.planes:
        x = np.concatenate([p[0][plane.name][0] for _, p in parts], axis=-1)
        y = np.concatenate([p[0][plane.name][1] for _, p in parts], axis=-1)
        w = np.concatenate(
            [np.broadcast_to(s * p[1].power, p[0][plane.name][0].shape) for s, p in parts], axis=-1
        )
        found[plane.name] = _moments(x, y, w)
    return found


def quantities_of(
    moments: Mapping[str, Mapping[str, Array]], distances: Mapping[str, float]
) -> dict[str, Array]:
    """Return the named quantities of the planes, nearest plane first."""
    order = sorted(distances, key=lambda name: distances[name])
    out: dict[str, Array] = {}
    tensors = {}
    for name in order:
        m = moments[name]
        tensors[name] = _root(m["xx"], m["yy"], m["xy"])
        out[f"{name}.x"], out[f"{name}.y"] = m["x"], m["y"]
        for part, value in zip(("xx", "yy", "xy"), tensors[name], strict=True):
            out[f"{name}.{part}"] = 4 * value
        out[f"{name}.skew_x"] = m["xxx"] / m["xx"] ** 1.5
        out[f"{name}.skew_y"] = m["yyy"] / m["yy"] ** 1.5
        out[f"{name}.power"] = m["power"]
    if len(order) < 2:
        return out
    near, far = order[0], order[-1]
    length = distances[far] - distances[near]
    for part in ("x", "y"):
        out[f"pointing_{part}"] = (moments[far][part] - moments[near][part]) / length
    for k, part in enumerate(("xx", "yy", "xy")):
        out[f"divergence_{part}"] = 4 * (tensors[far][k] - tensors[near][k]) / length
    out["astigmatism_0"], out["astigmatism_45"] = _stretch(tensors[near], moments[far])
    return out


def quantities(
    layout: Layout,
    positions: Mapping[str, Array] | None = None,
    offsets: Mapping[str, Pose] | None = None,
) -> dict[str, Array]:
    """Return the named quantities that a perfect instrument would find, mm, rad or plain."""
    moments = plane_moments(layout, place(layout, positions, offsets))
    return quantities_of(moments, {p.name: p.distance for p in layout.planes})


def _pencils(
    layout: Layout, poses: Mapping[str, Pose], rings: int, spokes: int
) -> list[tuple[float, Rays]]:
    """Shares and rays of the points (source) or directions (beam) that stand for all of them."""
    light, first = layout.light, layout.elements[0]
    x, y, w = disk_grid(1, 4)  # exact up to third moments of the face
    size = effective_size(light) / 2
    full = overfills(layout)
    hard = (light.emission if isinstance(light, Source) else light.profile) == "uniform"
    turns = _CORNERS * spokes if hard else spokes
    pencils = []
    for px, py, share in zip(x * size, y * size, w, strict=True):
        at = (float(px), float(py))
        if full:
            rays = aimed(light, first, poses, rings, turns, point=at)
        elif isinstance(light, Source):
            sine = light.na * (1.0 if hard else _CORE)
            rays = cone(light, rings, spokes, point=at, angle=math.asin(min(sine, 0.99)))
        else:
            radius = light.diameter / 2 * (1.0 if hard else _CORE)
            rays = bundle(light, rings, spokes, tilt=at, radius=radius)
        pencils.append((float(share), rays))
    return pencils


def effective_size(light: Source | Beam) -> float:
    """Return the diameter of the face, mm, or the full divergence, rad, with diffraction.

    A face is no smaller than the waist 2λ/(π NA) of a mode that fills the NA: a smaller core is
    that of a single mode. The divergence of a beam has diffraction in quadrature.
    """
    if isinstance(light, Source):
        return max(light.core_diameter, 2 * light.rms_wavelength / (math.pi * light.na))
    return math.hypot(light.divergence, 4 * light.rms_wavelength / (math.pi * light.diameter))


def _moments(x: Array, y: Array, w: Array) -> Moments:
    power = np.sum(w, axis=-1)
    p = w / power[..., None]
    cx, cy = np.sum(p * x, axis=-1), np.sum(p * y, axis=-1)
    u, v = x - cx[..., None], y - cy[..., None]
    pu, pv = p * u, p * v
    uu, vv = pu * u, pv * v
    central = {
        "xx": uu, "yy": vv, "xy": pu * v,
        "xxx": uu * u, "xxy": uu * v, "xyy": vv * u, "yyy": vv * v,
    }  # fmt: skip
    return {"power": power, "x": cx, "y": cy} | {k: np.sum(m, axis=-1) for k, m in central.items()}


def _root(xx: Array, yy: Array, xy: Array) -> tuple[Array, Array, Array]:
    """Square root of a symmetric positive 2 × 2 matrix: (C + √det C)/√(tr C + 2√det C)."""
    s = np.sqrt(xx * yy - xy * xy)
    t = np.sqrt(xx + yy + 2 * s)
    return (xx + s) / t, (yy + s) / t, xy / t


def _stretch(near: tuple[Array, Array, Array], far: Mapping[str, Array]) -> tuple[Array, Array]:
    """M = N⁻¹ √(N C N) N⁻¹ with N = √C_near and C = C_far, as (M_xx − M_yy, 2 M_xy)/tr M."""
    n = _matrix(*near)
    middle = n @ _matrix(far["xx"], far["yy"], far["xy"]) @ n
    inner = _matrix(*_root(middle[..., 0, 0], middle[..., 1, 1], middle[..., 0, 1]))
    inverse = _matrix(near[1], near[0], -near[2])  # but for the determinant, which cancels
    m = inverse @ inner @ inverse
    trace = m[..., 0, 0] + m[..., 1, 1]
    return (m[..., 0, 0] - m[..., 1, 1]) / trace, 2 * m[..., 0, 1] / trace


def _matrix(xx: Array, yy: Array, xy: Array) -> Array:
    return np.stack([np.stack([xx, xy], axis=-1), np.stack([xy, yy], axis=-1)], axis=-2)
