"""Flat-topped beams: the edge as an ellipse, and the irradiance distribution of ISO 13694."""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.core.errors import UsageError
from autoalign.core.frames import Frame

__all__ = ["Distribution", "EdgeProfile", "edge_ellipse", "irradiance_distribution"]

Floats = npt.NDArray[np.float64]

RAYS = 180


@dataclass(frozen=True, slots=True)
class EdgeProfile:
    """The ellipse through the half-height contour.

    ``centre`` (x, y), full ``diameters`` (major, minor) mm, ``azimuth`` of the major one rad,
    ``residual`` rms distance of the contour from it, mm, over ``rays`` rays. ``u_centre`` and
    ``u_diameter`` standard uncertainties from that residual, mm.
    """

    centre: tuple[float, float]
    diameters: tuple[float, float]
    azimuth: float
    residual: float
    rays: int

    @property
    def u_centre(self) -> float:
        """Standard uncertainty of either coordinate of the centre, mm."""
        return self.residual * math.sqrt(2 / self.rays)

    @property
    def u_diameter(self) -> float:
        """Standard uncertainty of either diameter, mm."""
        return 2 * self.residual * math.sqrt(3 / self.rays)


@dataclass(frozen=True, slots=True)
class Distribution:
    """Irradiance distribution over the area above a clip level (ISO 13694, from memory).

    ``flatness`` mean over maximum, ``uniformity`` rms deviation over mean, ``edge_steepness``
    (A_0.1 − A_0.9)/A_0.1, ``area`` above the clip level, mm².
    """

    clip_level: float
    flatness: float
    uniformity: float
    edge_steepness: float
    area: float


def irradiance_distribution(
    frame: Frame, profile: BeamProfile, clip_level: float = 0.5
) -> Distribution:
    """Return flatness, uniformity and edge steepness of the beam in ``frame``.

    The maximum is the largest background-corrected pixel, so that noise makes flatness smaller.

    Raises
    ------
    UsageError
        For a clip level outside 0 to 1, or a profile without light.
    """
    if not 0 < clip_level < 1:
        raise UsageError(f"clip level {clip_level!r}; allowed is 0 to 1, ends excluded.")
    light = _window_light(frame, profile)
    top = float(light.max())
    above = light[light >= clip_level * top]
    mean = float(above.mean())
    areas = [int(np.count_nonzero(light >= level * top)) for level in (0.1, 0.9)]
    return Distribution(
        clip_level,
        mean / top,
        float(above.std()) / mean,
        (areas[0] - areas[1]) / areas[0],
        above.size * frame.pitch_x * frame.pitch_y,
    )


def edge_ellipse(frame: Frame, profile: BeamProfile) -> EdgeProfile:
    """Return the ellipse through the half-height contour of a flat-topped beam, to sub-pixels.

    Half of the median light within half of the half width. Each ray from the centroid gives the
    outermost crossing; rays off the ellipse by over four times the usual (a nick) do not count.

    Raises
    ------
    UsageError
        Where fewer than half of the rays cross that level inside the frame.
    """
    points = _contour(frame, profile)
    if len(points) < RAYS // 2:
        raise UsageError(
            f"edge: only {len(points)} of {RAYS} rays from the centroid reach the half-height "
            "contour inside the frame; the beam is too small, too faint or cut by the sensor."
        )
    origin = np.array(profile.centroid)
    size = float(np.hypot(*(points - origin).T).max())
    scaled = (points - origin) / size
    keep = np.ones(len(points), dtype=bool)
    for _ in range(4):
        conic = _fit_conic(scaled[keep])
        away = _distance(conic, scaled)
        usual = 1.4826 * float(np.median(np.abs(away)))
        keep = np.abs(away) <= max(4 * usual, 1e-9)
    centre, axes, azimuth = _conic_geometry(conic)
    place = origin + size * centre
    return EdgeProfile(
        (float(place[0]), float(place[1])),
        (2 * size * axes[0], 2 * size * axes[1]),
        azimuth,
        size * float(np.sqrt(np.mean(away[keep] ** 2))),
        int(keep.sum()),
    )


def _window_light(frame: Frame, profile: BeamProfile) -> Floats:
    """Return background-corrected pixels of the upright rectangle around the window."""
    if profile.power <= 0:
        raise UsageError("edge: there is no beam in this profile.")
    x, y, half_x, half_y, azimuth = profile.window
    c, s = abs(math.cos(azimuth)), abs(math.sin(azimuth))
    part = []
    for centre, reach, pitch, origin, count in (
        (y, s * half_x + c * half_y, frame.pitch_y, frame.origin[1], frame.pixels.shape[0]),
        (x, c * half_x + s * half_y, frame.pitch_x, frame.origin[0], frame.pixels.shape[1]),
    ):
        middle = centre / pitch + origin
        first = min(max(math.floor(middle - reach / pitch), 0), count - 1)
        part.append(slice(first, max(math.ceil(middle + reach / pitch) + 1, first + 1)))
    light: Floats = frame.pixels[tuple(part)].astype(np.float64) - profile.background
    return light


def _contour(frame: Frame, profile: BeamProfile) -> Floats:
    """Return (n, 2) points, mm, where rays from the centroid fall below half height last."""
    xx, yy, xy = profile.moments[2:5]
    if profile.power <= 0 or xx * yy <= xy * xy:
        raise UsageError("edge: there is no beam with a width in this profile.")
    angle = np.arange(RAYS) * (2 * math.pi / RAYS)
    direction = np.column_stack([np.cos(angle), np.sin(angle)])
    inverse = np.linalg.inv(profile.second_moments)
    half = 2 / np.sqrt(np.einsum("ri,ij,rj->r", direction, inverse, direction))
    step = 0.5 * min(frame.pitch_x, frame.pitch_y)
    radius = np.arange(0.0, 1.8 * float(half.max()), step)
    light = _bilinear(
        frame,
        profile.centroid[0] + direction[:, :1] * radius,
        profile.centroid[1] + direction[:, 1:] * radius,
    )
    light -= profile.background
    plateau = float(np.nanmedian(light[radius < 0.5 * half[:, None]]))
    above = light > plateau / 2
    last = light.shape[1] - 1 - np.argmax(above[:, ::-1], axis=1)
    good = above.any(axis=1) & (last < light.shape[1] - 1)
    rays = np.flatnonzero(good)
    a, b = light[rays, last[rays]], light[rays, last[rays] + 1]
    crossing = radius[last[rays]] + step * (a - plateau / 2) / (a - b)
    finite = np.isfinite(crossing)
    points: Floats = (
        np.array(profile.centroid, dtype=np.float64) + direction[rays] * crossing[:, None]
    )
    return np.asarray(points[finite], dtype=np.float64)


def _bilinear(frame: Frame, x: Floats, y: Floats) -> Floats:
    """Interpolate pixels at (x, y), mm; NaN beyond the outermost pixel centres."""
    column = x / frame.pitch_x + frame.origin[0]
    row = y / frame.pitch_y + frame.origin[1]
    rows, columns = frame.pixels.shape
    outside = (column < 0) | (column > columns - 1) | (row < 0) | (row > rows - 1)
    j = np.clip(np.floor(column).astype(np.intp), 0, max(columns - 2, 0))
    i = np.clip(np.floor(row).astype(np.intp), 0, max(rows - 2, 0))
    j1, i1 = np.minimum(j + 1, columns - 1), np.minimum(i + 1, rows - 1)
    p, q = column - j, row - i
    pixels = frame.pixels
    value: Floats = (1 - q) * ((1 - p) * pixels[i, j] + p * pixels[i, j1]) + q * (
        (1 - p) * pixels[i1, j] + p * pixels[i1, j1]
    )
    value[outside] = np.nan
    return value


def _fit_conic(points: Floats) -> Floats:
    """Return (A, B, C, D, E) of A x² + B xy + C y² + D x + E y = 1 by least squares."""
    x, y = points.T
    design = np.column_stack([x * x, x * y, y * y, x, y])
    return np.asarray(np.linalg.lstsq(design, np.ones(len(x)), rcond=None)[0], dtype=np.float64)


def _distance(conic: Floats, points: Floats) -> Floats:
    """Return signed distances from the conic, to first order."""
    a, b, c, d, e = conic
    x, y = points.T
    value = a * x * x + b * x * y + c * y * y + d * x + e * y - 1
    distance: Floats = value / np.hypot(2 * a * x + b * y + d, b * x + 2 * c * y + e)
    return distance


def _conic_geometry(conic: Floats) -> tuple[Floats, tuple[float, float], float]:
    """Return centre, semi-axes (major, minor) and the major axis' azimuth."""
    a, b, c, d, e = conic
    form = np.array([[a, b / 2], [b / 2, c]])
    centre = np.linalg.solve(-2 * form, np.array([d, e]))
    values, vectors = np.linalg.eigh(form)
    if values[0] <= 0:
        raise UsageError("edge: the half-height contour is not an ellipse.")
    axes = np.sqrt((1 + centre @ form @ centre) / values)
    azimuth = math.atan2(vectors[1, 0], vectors[0, 0])
    if abs(azimuth) > math.pi / 2:
        azimuth -= math.copysign(math.pi, azimuth)
    return centre, (float(axes[0]), float(axes[1])), azimuth
