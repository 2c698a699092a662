"""One frame to one profile: background, iterated window, moments, flags, uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.checks.clipping import (
    clipping_covariance,
    larger_than_frame,
    no_larger_than_hot_pixels,
    spot_at_edge,
    too_little_light,
)
from autoalign.beam.checks.context import Context
from autoalign.beam.checks.speckle import speckle_covariance
from autoalign.beam.checks.table import find_flags
from autoalign.beam.checks.thresholds import THRESHOLDS
from autoalign.beam.frame.binned import BinnedFrame, median
from autoalign.beam.frame.detection import Start, find_beam
from autoalign.beam.frame.iterate import Converged, Settled, settle
from autoalign.beam.frame.moments import pitch_covariance
from autoalign.beam.frame.preprocess import Prepared, without_bad_pixels
from autoalign.beam.frame.window import powers
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.beam.standards.halo import find_tails
from autoalign.core.errors import UsageError
from autoalign.core.frames import Frame

__all__ = ["Slope", "beyond_slope", "explained_by_slope", "measure_beam"]

# Whether there is a beam at all: light that an evenly sloping background does not explain.
#
# Room light that rises from one side of a frame to the other stands far above the darkest corner,
# and is no beam.

Floats = npt.NDArray[np.float64]

_STRIPS = 4
_MEDIAN = 0.4549
"""Median of the square of a standard normal number."""

Slope = tuple[float, float]
"""Rise of the background across the frame, along x and y, in pixel values."""


def explained_by_slope(grid: BinnedFrame, level: float, sigma: float, start: Start) -> bool:
    """Tell at little cost whether the light that was found could be a slope of the background."""
    middle = float(grid.x[0] + grid.x[-1]) / 2, float(grid.y[0] + grid.y[-1]) / 2
    u, v = powers(grid.x - middle[0], 2), powers(grid.y - middle[1], 2)
    sums = (v.T @ grid.mean @ u).tolist()
    plane = sums[0][0]
    for at, where, moment in (
        (start.window.x - middle[0], u[:, 1], sums[0][1]),
        (start.window.y - middle[1], v[:, 1], sums[1][0]),
    ):
        plane += at * moment / max(float(where @ where) / len(where), 1e-300)
    plane /= grid.mean.size
    cells = start.window.half_x / (1.5 * grid.pitch[0])
    light = start.significance * sigma / grid.block / cells
    return bool(plane - level > THRESHOLDS.slope_explains * light)


def beyond_slope(grid: BinnedFrame, sigma: float) -> tuple[Start, Slope]:
    """Return where light stands out most from a plane through the frame, and how the plane rises.

    Significance is in units of the noise where the light is: it grows with the background.

    Parameters
    ----------
    grid
        Block means of the whole frame.
    sigma
        Least noise of one pixel, in pixel values.
    """
    u = np.linspace(-0.5, 0.5, len(grid.x))[None, :] + np.zeros((len(grid.y), 1))
    v = np.linspace(-0.5, 0.5, len(grid.y))[:, None] + np.zeros((1, len(grid.x)))
    design = np.stack([np.ones_like(u), u, v]).reshape(3, -1)
    values = grid.mean.ravel()
    theta, plane = _robust_plane(design, values.astype(np.float64))
    away = values - plane
    noise = _noise_by_level(away, plane, sigma / grid.block)
    standing = replace(grid, mean=(away / noise).reshape(grid.mean.shape))
    return find_beam(standing, 0.0, float(grid.block)), (float(theta[1]), float(theta[2]))


def _robust_plane(design: Floats, values: Floats) -> tuple[Floats, Floats]:
    keep = np.ones(len(values), dtype=bool)
    for _ in range(4):
        part = design[:, keep]
        solved = np.linalg.lstsq(part @ part.T, part @ values[keep], rcond=None)[0]
        theta: Floats = np.asarray(solved, dtype=np.float64)
        plane: Floats = theta @ design
        away = np.abs(values - plane)
        keep = away <= 4 * 1.4826 * median(away) + 1e-300
    return theta, plane


def _noise_by_level(away: Floats, plane: Floats, least: float) -> Floats:
    """Return the noise of each cell: its variance is a straight line over the background."""
    order = np.argsort(plane, kind="stable")
    strips = np.array_split(order, _STRIPS)
    variance = np.array([median(away[s] ** 2) / _MEDIAN if len(s) else 0.0 for s in strips])
    level = np.array([plane[s].mean() if len(s) else 0.0 for s in strips])
    span = level - level.mean()
    rise = max(float(span @ variance) / max(float(span @ span), 1e-300), 0.0)
    line = variance.mean() + rise * (plane - level.mean())
    floor = max(least**2, 1e-300, 1e-24 * float(np.abs(plane).max()) ** 2)
    noise: Floats = np.sqrt(np.maximum(line, floor))
    return noise


FAINTEST = THRESHOLDS.beam_significance


def measure_beam(
    frame: Frame,
    *,
    dark: Frame | None = None,
    hot_map: npt.NDArray[np.bool_] | None = None,
    background: float | None = None,
    background_uncertainty: float = 0.0,
    gain: float | None = None,
    pitch_uncertainty: float = 0.0,
    previous: Frame | None = None,
    reference: BeamProfile | None = None,
    repeatable: bool = False,
    tails: bool = False,
) -> BeamProfile:
    """Measure the beam in ``frame`` by the method of second moments (ISO 11146-1).

    Parameters
    ----------
    frame
        One exposure. Its pixels are neither scaled nor written to.
    dark
        An exposure of the same camera without the beam; subtracted pixel by pixel.
    hot_map
        (rows, columns), True for pixels that are known to be bad; they are filled in from
        their neighbours, in ``dark`` as well. Lone hot pixels are found without it.
    background
        Level in pixel values (after the dark frame). None: measured around the beam.
    background_uncertainty
        Standard uncertainty of the level, besides the noise of the pixels it is measured from.
    gain
        Pixel values per photoelectron: noise variance added per pixel value of signal. None:
        estimated from the scatter inside the beam.
    pitch_uncertainty
        Relative standard uncertainty of the pixel pitch; leave at 0 if :func:`.combine` is
        given it instead.
    previous
        The frame before, to detect a frozen camera or a stale frame.
    reference
        A profile of the same camera, to detect a change of the ambient light.
    repeatable
        State what differs between frames of nearly the same beam: light around the beam, which
        shifts them all alike, is left out of the uncertainties. For measurements that are
        compared.
    tails
        Also find faint light outside the standard's window, for :func:`.caustics`.

    Returns
    -------
    BeamProfile
        Also for a frame without a beam: it then carries the flag DARK and is good for nothing.
        The pixel's own size (variance pitch²/12) is taken off the second moments. Light outside
        the standard's window never counts in them (see :mod:`.tails`).

    Raises
    ------
    FrameError
        For pixels that are not finite, or a dark frame of another shape.
    UsageError
        For anything but a frame.
    """
    for given in (frame, *(f for f in (dark, previous) if f is not None)):
        _check_frame(given)
    _check_options(background, background_uncertainty, gain, pitch_uncertainty)
    if hot_map is not None:
        frame = without_bad_pixels(frame, hot_map)
        dark = None if dark is None else without_bad_pixels(dark, hot_map)
    ready = Prepared.of(frame, dark, background, repeatable)
    start = find_beam(ready.whole, ready.level, ready.sigma)
    if start.significance < FAINTEST:
        return _without_beam(ready, start, (0.0, 0.0))
    if explained_by_slope(ready.whole, ready.level, ready.sigma, start):
        left, slope = beyond_slope(ready.whole, ready.sigma)
        if left.significance < FAINTEST:
            return _without_beam(ready, left, slope)
    settled = settle(ready, start.window, gain, background_uncertainty)
    lost = _lost(ready, settled)
    if lost:
        start, slope = beyond_slope(ready.whole, ready.sigma)
        if start.significance < FAINTEST:
            return _without_beam(ready, start, slope)
        settled = settle(ready, start.window, gain, background_uncertainty)
        lost = _lost(ready, settled)
    if lost:
        return _without_width(ready, start)
    profile = _with_width(ready, settled, pitch_uncertainty)
    context = Context(ready, settled, profile.peak, previous, reference)
    return replace(
        profile,
        covariance=profile.covariance + speckle_covariance(context),
        tails=find_tails(ready, settled) if tails else None,
    ).flagged(find_flags(context))


def _lost(ready: Prepared, settled: Settled) -> bool:
    """Return whether no window settled on a beam."""
    if settled.seen.lost:
        return True
    if no_larger_than_hot_pixels(settled.seen, ready.pitch):
        return True
    if not larger_than_frame(settled.seen, ready.shape, ready.pitch):
        return False
    return too_little_light(settled.seen, ready.pitch, _level_and_peak(ready, settled.seen)[1])


def _level_and_peak(ready: Prepared, seen: Converged) -> tuple[float, float]:
    """Return the background at the window's middle, and the highest pixel inside above it."""
    window = seen.window
    level = seen.background.around(window.x, window.y)[0]
    r0, r1, c0, c1 = window.box(ready.shape, ready.pitch)
    return level, float(ready.pixels[r0:r1, c0:c1].max()) - level


def _with_width(ready: Prepared, settled: Settled, pitch_uncertainty: float) -> BeamProfile:
    seen, frame = settled.seen, ready.frame
    window = seen.window
    level, peak = _level_and_peak(ready, seen)
    moments = seen.moments - np.array([*ready.origin, *[0.0] * 7])
    covariance = settled.covariance
    place = (float(moments[0]), float(moments[1]))
    return BeamProfile(
        moments=moments,
        covariance=covariance[1:, 1:]
        + clipping_covariance(seen, ready.shape, settled.noise)
        + pitch_covariance(moments, pitch_uncertainty),
        power=seen.power,
        power_uncertainty=math.sqrt(max(float(covariance[0, 0]), 0.0)),
        background=level,
        noise=settled.noise,
        peak=peak,
        plane=frame.plane,
        window=(*place, window.half_x, window.half_y, window.azimuth),
        started=frame.started,
        view=frame.view,
    )


def _without_width(ready: Prepared, start: Start) -> BeamProfile:
    """Return the profile of light too faint to have a width: somewhere in the first window."""
    w = start.window
    evidence = (
        f"light of {start.significance:.0f} σ, but its width does not converge: average frames or "
        "expose longer; adjacent hot pixels have the same effect"
    )
    flag = spot_at_edge(ready.whole, ready.sigma) or Flag(
        FlagKind.NOT_CONVERGED, evidence, Use.POSITION
    )
    nowhere = _without_beam(ready, start, (0.0, 0.0))
    covariance = nowhere.covariance.copy()
    covariance[[0, 1], [0, 1]] = w.half_x**2 / 3, w.half_y**2 / 3
    x, y = w.x - ready.origin[0], w.y - ready.origin[1]
    return replace(
        nowhere,
        moments=np.array([x, y, *[0.0] * 7]),
        covariance=covariance,
        flags={flag.kind.value: flag},
        window=(x, y, w.half_x, w.half_y, 0.0),
    )


def _without_beam(ready: Prepared, start: Start, slope: Slope) -> BeamProfile:
    """Return the profile of a frame in which no beam was found: it could be anywhere."""
    frame, level, sigma = ready.frame, ready.level, ready.sigma
    rows, columns = frame.pixels.shape
    wide, high = columns * frame.pitch_x, rows * frame.pitch_y
    x, y = ready.origin
    middle = ((wide - frame.pitch_x) / 2 - x, (high - frame.pitch_y) / 2 - y)
    size = np.array([wide, high, wide**2, high**2, wide * high])
    third = np.array([wide**3, wide**2 * high, wide * high**2, high**3])
    evidence = f"no light above {start.significance:.1f} σ; {FAINTEST:g} σ are needed"
    rise = math.hypot(*slope)
    if rise > sigma:
        evidence += f" (the background rises by {rise:.3g} pixel values across the frame)"
    flag = Flag(FlagKind.DARK, evidence, Use.NOTHING)
    flags = {FlagKind.DARK.value: flag}
    top = frame.saturation
    if top is not None and level >= top:
        whole = Flag(FlagKind.SATURATED, "the whole frame is saturated", Use.NOTHING)
        flags = {FlagKind.SATURATED.value: whole}
    return BeamProfile(
        moments=np.array([*middle, *[0.0] * 7]),
        covariance=np.diag(np.concatenate([size, third]) ** 2 / 12),
        power=0.0,
        power_uncertainty=FAINTEST * sigma * math.sqrt(rows * columns),
        background=level,
        noise=sigma,
        peak=float(ready.pixels.max()) - level,
        flags=flags,
        plane=frame.plane,
        window=(*middle, wide / 2, high / 2, 0.0),
        started=frame.started,
        view=frame.view,
    )


def _check_frame(given: object) -> None:
    if isinstance(given, Frame):
        return
    what = type(given).__name__
    if isinstance(given, np.ndarray):
        raise UsageError(
            f"measure_beam: an array ({what}) does not state its pixel pitch; wrap it, "
            "for instance "
            "autoalign.Frame(pixels, pitch=0.0055) with the pitch in mm."
        )
    raise UsageError(
        f"measure_beam: a frame is needed, not a {what}; wrap an array as "
        "autoalign.Frame(pixels, pitch=…), or read a file with "
        "autoalign.pictures.read_pictures(path, pitch=…)[0].frame."
    )


def _check_options(
    background: float | None, uncertainty: float, gain: float | None, pitch_uncertainty: float
) -> None:
    if background is not None and not math.isfinite(background):
        raise UsageError(f"background {background!r} must be a finite pixel value, or None.")
    for name, value in (
        ("background_uncertainty", uncertainty),
        ("gain", 0.0 if gain is None else gain),
        ("pitch_uncertainty", pitch_uncertainty),
    ):
        if not (math.isfinite(value) and value >= 0):
            raise UsageError(f"{name} {value!r} must be 0 or larger.")
