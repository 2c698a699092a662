"""One measured frame, annotated, in the camera's own axes."""

from __future__ import annotations

import math
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.image import AxesImage
from matplotlib.patches import Rectangle

from autoalign.beam.profile import BeamProfile
from autoalign.core.frames import Frame
from autoalign.journal.record import Outline
from autoalign.messages.words import number, rounded
from autoalign.report.frame_view import draw_mark, draw_outline, frame_extent, show_pixels
from autoalign.report.style import BAD, INK, QUIET, dress, new_figure, plain, save_png

__all__ = ["draw_profile", "profile_figure"]

_UNTURNED = ((1.0, 0.0), (0.0, 1.0))


def draw_profile(frame: Frame, profile: BeamProfile, path: str | Path) -> Path:
    """Write ``frame`` with what was measured in it as PNG and return its path."""
    return save_png(profile_figure(frame, profile), path, 140)


def profile_figure(frame: Frame, profile: BeamProfile) -> Figure:
    """Return the figure: the whole frame, the beam enlarged, and the figures in words."""
    figure = new_figure(12.6, 5.4)
    whole, close, text = figure.subplots(1, 3, width_ratios=[1.0, 1.12, 0.85])
    outline = Outline.of(profile)
    _show(whole, frame, outline, profile, f"plane {frame.plane}" if frame.plane else "whole frame")
    left, right, bottom, top = frame_extent(frame)
    whole.set_xlim(left, right)
    whole.set_ylim(bottom, top)
    image = _show(close, frame, outline, profile, "beam")
    (x, y), reach = outline.centre, max(*outline.half_box, frame.pitch_x) * 1.9
    close.set_xlim(x - reach, x + reach)
    close.set_ylim(y + reach, y - reach)
    bar = figure.colorbar(image, ax=close, location="bottom", shrink=0.9, pad=0.02)
    bar.set_label("light, pixel value (counts)", fontsize=10, color=INK)
    bar.ax.tick_params(labelsize=9.5, colors=INK)
    bar.outline.set_visible(False)
    _facts(text, profile)
    return figure


def _show(
    axes: Axes, frame: Frame, outline: Outline, profile: BeamProfile, title: str
) -> AxesImage:
    image = show_pixels(axes, frame, _UNTURNED)
    axes.set_aspect("equal", anchor="N")
    draw_mark(axes)
    dress(axes, "x (to the right), mm", "y (downwards), mm", title, 10)
    cx, cy, half_x, half_y, azimuth = profile.window
    if half_x > 0 and half_y > 0:
        axes.add_patch(
            Rectangle(
                (cx - half_x, cy - half_y), 2 * half_x, 2 * half_y, angle=math.degrees(azimuth),
                rotation_point="center", fill=False, edgecolor=QUIET, linestyle=(0, (5, 3)),
            )
        )  # fmt: skip
    draw_outline(axes, outline)
    return image


def _facts(axes: Axes, profile: BeamProfile) -> None:
    axes.set_axis_off()
    axes.set_xlim(0, 1)
    axes.set_ylim(0, 1)
    height = 0.97
    for label, value in _lines(profile):
        axes.text(0.0, height, label, fontsize=10, color=QUIET, va="top")
        axes.text(0.0, height - 0.045, value, fontsize=12, color=INK, va="top")
        height -= 0.118
    for flag in profile.flags.values():
        axes.text(
            0.0, height, plain(f"{flag.kind}: {flag.evidence}"), fontsize=10, color=BAD,
            va="top", wrap=True,
        )  # fmt: skip
        height -= 0.09


def _lines(profile: BeamProfile) -> tuple[tuple[str, str], ...]:
    (x, y), (ux, uy) = profile.centroid, profile.u_centroid
    azimuth, u_azimuth = math.degrees(profile.azimuth), math.degrees(profile.u_azimuth)
    turn = f"{_pm(azimuth, u_azimuth)}°" if u_azimuth < 40 else "undefined, the beam is round"
    return (
        ("centroid x", f"{_pm(x, ux)} mm"),
        ("centroid y", f"{_pm(y, uy)} mm"),
        ("larger width (second moment)", f"{_pm(profile.width_major, profile.u_width_major)} mm"),
        ("smaller width (second moment)", f"{_pm(profile.width_minor, profile.u_width_minor)} mm"),
        ("azimuth of the axis closer to x", turn),
        ("ellipticity (smaller over larger)", _pm(profile.ellipticity, profile.u_ellipticity)),
        ("good for", str(profile.use)),
    )


def _pm(value: float, u: float) -> str:
    if not (math.isfinite(u) and u > 0):
        return number(value, 4)
    places = max(1 - math.floor(math.log10(u)), 0)
    return f"{rounded(value, places)} ± {rounded(u, places)}"
