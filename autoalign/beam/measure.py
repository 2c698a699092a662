"""One frame to one profile: background, iterated window, moments, flags, uncertainty."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np

from autoalign.beam.background import Background, border_level
from autoalign.beam.flags import find_flags
from autoalign.beam.grid import Grid
from autoalign.beam.iterate import Seen, coarse, fine
from autoalign.beam.noise import dark_noise, estimate_gain, quantisation_offset
from autoalign.beam.pixels import HotPixels, check_finite, fill, find_hot, subtract_dark
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.beam.start import FAINTEST, find_beam, first_noise
from autoalign.beam.uncertainty import moment_covariance, pitch_covariance
from autoalign.errors import UsageError
from autoalign.frames import Frame, Pixels

__all__ = ["measure_beam"]


def measure_beam(
    frame: Frame,
    *,
    dark: Frame | None = None,
    background: float | None = None,
    background_uncertainty: float = 0.0,
    gain: float | None = None,
    pitch_uncertainty: float = 0.0,
) -> BeamProfile:
    """Measure the beam in ``frame`` by the method of second moments (ISO 11146-1).

    Parameters
    ----------
    frame
        One exposure. Its pixels are neither scaled nor written to.
    dark
        An exposure of the same camera without the beam; subtracted pixel by pixel.
    background
        Level in pixel values (after the dark frame). None: measured around the beam.
    background_uncertainty
        Standard uncertainty of the level, besides the noise of the pixels it is measured from.
    gain
        Pixel values per photoelectron: noise variance added per pixel value of signal. None:
        estimated from the scatter inside the beam.
    pitch_uncertainty
        Relative standard uncertainty of the pixel pitch; leave at 0 where :func:`.combine` is
        told instead.

    Returns
    -------
    BeamProfile
        Also for a frame without a beam: it then carries the flag DARK and is good for nothing.
        The pixel's own size (variance pitch²/12) is taken off the second moments.

    Raises
    ------
    FrameError
        For pixels that are not finite, or a dark frame of another shape.
    """
    _check_options(background, background_uncertainty, gain, pitch_uncertainty)
    check_finite(frame)
    pixels = subtract_dark(frame, dark)
    pitch = (frame.pitch_x, frame.pitch_y)
    sigma = first_noise(pixels)
    whole = Grid.of(pixels, pitch)
    level = border_level(whole) if background is None else background
    hot = find_hot(pixels, level, sigma)
    if len(hot):
        pixels = fill(pixels, hot)
        whole = Grid.of(pixels, pitch)
        level = border_level(whole) if background is None else background
    start = find_beam(whole, level, sigma)
    if start.significance < FAINTEST:
        return _without_beam(frame, level, sigma, start.significance)
    first, known = Background(level), background is not None
    seen = fine(pixels, pitch, coarse(pixels, pitch, whole, start.window, first, sigma, known))
    if seen.lost:
        return _without_beam(frame, level, sigma, start.significance)
    return _profile(
        frame, pixels, seen, sigma, gain, background_uncertainty, pitch_uncertainty, hot
    )


def _profile(
    frame: Frame,
    pixels: Pixels,
    seen: Seen,
    sigma: float,
    gain: float | None,
    background_uncertainty: float,
    pitch_uncertainty: float,
    hot: HotPixels,
) -> BeamProfile:
    pitch = (frame.pitch_x, frame.pitch_y)
    window, ground = seen.window, seen.background
    noise = sigma if ground.ring is None else dark_noise(pixels, seen.grid, ground)
    level = ground.around(window.x, window.y)[0]
    if gain is None:
        gain = estimate_gain(pixels, window, pitch, level, noise)
    rounding = quantisation_offset(noise) if frame.pixels.dtype.kind == "u" else 0.0
    ground = replace(
        _with_noise(ground, noise, sigma), systematic=math.hypot(background_uncertainty, rounding)
    )
    covariance = moment_covariance(seen.grid, window, seen.moments, seen.power, ground, noise, gain)
    moments = seen.moments - np.array([*_origin(frame), *[0.0] * 7])
    r0, r1, c0, c1 = window.box(frame.pixels.shape, pitch)
    profile = BeamProfile(
        moments=moments,
        covariance=covariance[1:, 1:] + pitch_covariance(moments, pitch_uncertainty),
        power=seen.power,
        power_uncertainty=math.sqrt(max(float(covariance[0, 0]), 0.0)),
        background=level,
        noise=noise,
        peak=float(pixels[r0:r1, c0:c1].max()) - level,
        plane=frame.plane,
        window=(moments[0], moments[1], window.half_x, window.half_y, window.azimuth),
        started=frame.started,
        view=frame.view,
    )
    return replace(profile, flags=find_flags(frame, seen, noise, profile.peak, hot))


def _with_noise(ground: Background, noise: float, before: float) -> Background:
    """Return ``ground`` with its covariance for the noise as measured in its own ring."""
    if ground.covariance is None or before == 0:
        return ground
    return replace(ground, covariance=ground.covariance * (noise / before) ** 2)


def _without_beam(frame: Frame, level: float, sigma: float, significance: float) -> BeamProfile:
    """Return the profile of a frame in which no beam was found: it could be anywhere."""
    rows, columns = frame.pixels.shape
    wide, high = columns * frame.pitch_x, rows * frame.pitch_y
    x, y = _origin(frame)
    middle = ((wide - frame.pitch_x) / 2 - x, (high - frame.pitch_y) / 2 - y)
    size = np.array([wide, high, wide**2, high**2, wide * high])
    third = np.array([wide**3, wide**2 * high, wide * high**2, high**3])
    evidence = f"nothing stands out by more than {significance:.1f} σ; {FAINTEST:g} σ are needed"
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
        peak=float(frame.pixels.max()) - level,
        flags=flags,
        plane=frame.plane,
        window=(*middle, wide / 2, high / 2, 0.0),
        started=frame.started,
        view=frame.view,
    )


def _origin(frame: Frame) -> tuple[float, float]:
    """Return the plane's zero in mm from the centre of the first pixel."""
    return frame.origin[0] * frame.pitch_x, frame.origin[1] * frame.pitch_y


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
