"""One measured frame, annotated, in the axes in which its figures are given."""

from __future__ import annotations

import math
from dataclasses import replace
from pathlib import Path
from textwrap import wrap

import numpy as np
from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import Rectangle
from matplotlib.transforms import Affine2D

from autoalign.beam.profile import BeamProfile, Use
from autoalign.core.frames import Frame
from autoalign.core.units import number, rounded
from autoalign.journal.record import Outline
from autoalign.report.frame_view import draw_fiducial, draw_outline, frame_box, show_pixels
from autoalign.report.style import BAD, INK, QUIET, dress, new_figure, plain, save_png

__all__ = ["draw_profile", "profile_figure"]

_UNTURNED = ((1.0, 0.0), (0.0, 1.0))

_COLUMNS, _LINE = 52, 0.034
"""Letters in a line of a flag's evidence, and the height of a line in parts of the text."""


def draw_profile(
    frame: Frame, profile: BeamProfile, path: str | Path, *, unit: str = "mm", sensor: bool = False
) -> Path:
    """Write ``frame`` with what was measured in it as PNG and return its path.

    Parameters
    ----------
    frame, profile
        The frame, and what was measured in it.
    path
        Where the PNG goes.
    unit
        Unit of all lengths: "mm", or "px" if the size of a pixel is not known.
    sensor
        Draw it on the sensor (x to the right, y downwards from the first pixel) instead of in the
        plane's axes (y up).
    """
    return save_png(profile_figure(frame, profile, unit=unit, sensor=sensor), path, 140)


def profile_figure(
    frame: Frame, profile: BeamProfile, *, unit: str = "mm", sensor: bool = False
) -> Figure:
    """Return the figure: the whole frame, the beam enlarged, and the figures in words."""
    figure = new_figure(12.6, 5.4)
    whole, close, text = figure.subplots(1, 3, width_ratios=[1.0, 1.12, 0.85])
    view = _UNTURNED if sensor else frame.view
    outline = Outline.of(profile).turned(view)
    seen = replace(frame, view=view)
    name = f"plane {frame.plane}" if frame.plane else "whole frame"
    _show(whole, seen, profile, sensor, unit, name)
    x0, x1, y0, y1 = frame_box(seen)
    whole.set_xlim(x0, x1)
    whole.set_ylim(*((y1, y0) if sensor else (y0, y1)))
    image = _show(close, seen, profile, sensor, unit, "beam")
    (x, y), reach = outline.centre, max(*outline.half_box, frame.pitch_x) * 1.9
    close.set_xlim(x - reach, x + reach)
    close.set_ylim(*((y + reach, y - reach) if sensor else (y - reach, y + reach)))
    bar = figure.colorbar(image, ax=close, location="bottom", shrink=0.9, pad=0.02)
    bar.set_label("light, pixel value (counts)", fontsize=10, color=INK)
    bar.ax.tick_params(labelsize=9.5, colors=INK)
    bar.outline.set_visible(False)
    _facts(text, profile if sensor else profile.in_plane_axes(), unit, sensor)
    return figure


def _show(
    axes: Axes, frame: Frame, profile: BeamProfile, sensor: bool, unit: str, title: str
) -> AxesImage:
    image = show_pixels(axes, frame, frame.view)
    axes.set_aspect("equal", anchor="N")
    if not sensor:
        draw_fiducial(axes)
    up = "downwards" if sensor else "up"
    dress(axes, f"x (to the right), {unit}", f"y ({up}), {unit}", title, 10)
    turn = Affine2D(np.block([[np.array(frame.view), np.zeros((2, 1))], [np.eye(3)[2]]]))
    cx, cy, half_x, half_y, azimuth = profile.window
    if half_x > 0 and half_y > 0:
        window = Rectangle(
            (cx - half_x, cy - half_y), 2 * half_x, 2 * half_y, angle=math.degrees(azimuth),
            rotation_point="center", fill=False, edgecolor=QUIET, linestyle=(0, (5, 3)),
        )  # fmt: skip
        window.set_transform(turn + axes.transData)
        axes.add_artist(window)
    if profile.has_widths:
        draw_outline(axes, Outline.of(profile).turned(frame.view))
    return image


def _facts(axes: Axes, profile: BeamProfile, unit: str, sensor: bool) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    height = 0.97
    for label, value in _lines(profile, unit, sensor):
        axes.text(0.0, height, label, fontsize=10, color=QUIET, va="top")
        axes.text(0.0, height - 0.045, value, fontsize=12, color=INK, va="top")
        height -= 0.118
    for flag in profile.flags.values():
        lines = wrap(plain(f"{flag.kind}: {flag.evidence}", 300), _COLUMNS)
        if height - _LINE * len(lines) < 0:
            axes.text(0.0, height, "… and more flags", fontsize=10, color=BAD, va="top")
            return
        axes.text(0.0, height, "\n".join(lines), fontsize=10, color=BAD, va="top", linespacing=1.25)
        height -= _LINE * len(lines) + 0.02


def _lines(profile: BeamProfile, unit: str, sensor: bool) -> tuple[tuple[str, str], ...]:
    if profile.use is Use.NOTHING:
        return (("good for", str(profile.use)),)
    (x, y), (ux, uy) = profile.centroid, profile.u_centroid
    azimuth, u_azimuth = math.degrees(profile.azimuth), math.degrees(profile.u_azimuth)
    turn = f"{_pm(azimuth, u_azimuth)}°" if u_azimuth < 40 else "undefined, the beam is round"
    major, minor = profile.width_major, profile.width_minor
    widths = (
        ("larger width d_σ", f"{_pm(major, profile.u_width_major)} {unit}"),
        ("smaller width d_σ", f"{_pm(minor, profile.u_width_minor)} {unit}"),
        (f"azimuth, {'clockwise' if sensor else 'counter-clockwise'} from x", turn),
        ("ellipticity (smaller/larger)", _pm(profile.ellipticity, profile.u_ellipticity)),
    )
    return (
        ("centroid x", f"{_pm(x, ux)} {unit}"),
        ("centroid y", f"{_pm(y, uy)} {unit}"),
        *(widths if profile.has_widths else (("widths", "not found"),)),
        ("good for", str(profile.use)),
    )


def _pm(value: float, u: float) -> str:
    if not (math.isfinite(u) and u > 0):
        return number(value, 4)
    places = max(1 - math.floor(math.log10(u)), 0)
    return f"{rounded(value, places)} ± {rounded(u, places)}"
