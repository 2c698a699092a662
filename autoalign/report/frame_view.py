"""A frame drawn in the plane's axes, with the measured ellipse, its centroid and the fiducial.

x points right and y up: the plane as viewed against the beam. Darker is more light; each
picture is scaled from its background to its brightest pixels.
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.image import AxesImage
from matplotlib.patches import Ellipse
from matplotlib.transforms import Affine2D

from autoalign.core.frames import Frame
from autoalign.core.units import number, signed
from autoalign.journal.record import FramePicture, Outline
from autoalign.report.style import HAIR, INK, MARK, QUIET, dress, halo, light_map, plain

__all__ = [
    "describe",
    "draw_fiducial",
    "draw_outline",
    "draw_picture",
    "frame_box",
    "frame_extent",
    "light_range",
    "show_pixels",
    "window_for",
]

Window = tuple[float, float, float, float]


def frame_extent(frame: Frame) -> Window:
    """Return (left, right, bottom, top) of the frame in its own axes, mm, first row at ``top``."""
    rows, columns = frame.pixels.shape
    left = (-0.5 - frame.origin[0]) * frame.pitch_x
    top = (-0.5 - frame.origin[1]) * frame.pitch_y
    return left, left + columns * frame.pitch_x, top + rows * frame.pitch_y, top


def window_for(pictures: Sequence[FramePicture], margin: float = 1.5) -> Window:
    """Return a square (x0, x1, y0, y1), plane axes, mm, that holds all ellipses and the fiducial.

    Without any ellipse it is the box around the whole frames.
    """
    boxes = [(0.0, 0.0, 0.0, 0.0)]
    for picture in pictures:
        outline = picture.outline
        if outline is None:
            boxes.append(frame_box(picture.frame))
            continue
        (x, y), (w, h) = outline.centre, outline.half_box
        boxes.append((x - margin * w, x + margin * w, y - margin * h, y + margin * h))
    x0, x1 = min(b[0] for b in boxes), max(b[1] for b in boxes)
    y0, y1 = min(b[2] for b in boxes), max(b[3] for b in boxes)
    half = max(x1 - x0, y1 - y0, 1e-6) / 2 * 1.04
    cx, cy = (x0 + x1) / 2, (y0 + y1) / 2
    return cx - half, cx + half, cy - half, cy + half


def draw_picture(
    axes: Axes, picture: FramePicture, window: Window, title: str, size: float = 10
) -> None:
    """Draw ``picture`` into ``axes``, cut to ``window`` (plane axes, mm)."""
    show_pixels(axes, picture.frame, picture.frame.view)
    axes.set_xlim(window[0], window[1])
    axes.set_ylim(window[2], window[3])
    axes.set_aspect("equal")
    dress(axes, "x, mm", "y, mm", title, size)
    draw_fiducial(axes)
    outline = picture.outline
    if outline is not None:
        draw_outline(axes, outline)
    if picture.flags:
        axes.text(
            0.02, 0.02, plain(", ".join(picture.flags), 44), transform=axes.transAxes,
            color=MARK if picture.limited else QUIET,
            fontsize=size - 1, path_effects=halo(), va="bottom",
        )  # fmt: skip


def show_pixels(
    axes: Axes, frame: Frame, view: tuple[tuple[float, float], tuple[float, float]]
) -> AxesImage:
    """Show the pixels where they lie at the plane, mm, turned by ``view``."""
    pixels = np.asarray(frame.pixels, dtype=np.float32)
    low, high = light_range(pixels)
    left, right, bottom, top = frame_extent(frame)
    matrix = np.eye(3)
    matrix[:2, :2] = np.asarray(view, dtype=float)
    image = axes.imshow(
        pixels, extent=(left, right, bottom, top), cmap=light_map(), vmin=low, vmax=high,
        interpolation="nearest",
    )  # fmt: skip
    image.set_transform(Affine2D(matrix) + axes.transData)
    axes.set_facecolor(HAIR)
    return image


def light_range(pixels: npt.NDArray[np.floating[Any]]) -> tuple[float, float]:
    """Return the pixel values to draw as no light and as most light.

    From the median to the brightest 3 × 3 neighbourhood, so that one hot pixel does not darken the
    rest, and never so narrow that noise alone resembles light.
    """
    finite = pixels[np.isfinite(pixels)]
    if not finite.size:
        return 0.0, 1.0
    low = float(np.percentile(finite, 25.0))
    noise = float(np.median(np.abs(finite - np.median(finite))))
    filled = np.where(np.isfinite(pixels), pixels, low)
    high = float(filled.max())
    if min(filled.shape) >= 3:
        rows, columns = (n - 2 for n in filled.shape)
        parts = [filled[i : i + rows, j : j + columns] for i in range(3) for j in range(3)]
        high = float((sum(parts[1:], parts[0]) / 9).max())
    high = max(high, low + 8 * noise)
    return low, high if high > low else low + 1.0


def draw_outline(axes: Axes, outline: Outline) -> None:
    """Draw the d_σ ellipse and the centroid."""
    axes.add_patch(
        Ellipse(
            outline.centre, *outline.widths, angle=math.degrees(outline.azimuth), fill=False,
            edgecolor=MARK, linewidth=2.0, path_effects=halo(3.6),
        )
    )  # fmt: skip
    axes.plot(
        *outline.centre, marker="+", markersize=11, markeredgewidth=2.0, color=MARK,
        path_effects=halo(3.6), linestyle="none",
    )  # fmt: skip


def describe(picture: FramePicture) -> str:
    """Return in words what the drawn picture shows, for screen readers."""
    outline = picture.outline
    head = f"Frame of plane {picture.plane or 'without a name'}"
    if outline is None:
        return f"{head}; no beam could be measured in it."
    (x, y), (a, b) = outline.centre, outline.widths
    flags = f"; flagged: {picture.remark}" if picture.flags else ""
    return (
        f"{head}: centroid at x {signed(x)} mm, y {signed(y)} mm from the fiducial, widths "
        f"{number(max(a, b))} mm and {number(min(a, b))} mm{flags}."
    )


def draw_fiducial(axes: Axes) -> None:
    """Draw the plane's zero as an open ring with four ticks."""
    axes.plot(
        0.0, 0.0, marker="o", markersize=13, markerfacecolor="none", markeredgecolor=INK,
        markeredgewidth=1.2, path_effects=halo(2.6), linestyle="none",
    )  # fmt: skip
    axes.plot(
        0.0, 0.0, marker=".", markersize=3.5, color=INK, path_effects=halo(2.0), linestyle="none"
    )


def frame_box(frame: Frame) -> Window:
    """Return (x0, x1, y0, y1) of the whole frame in the plane's axes, mm."""
    left, right, bottom, top = frame_extent(frame)
    corners = np.array([[left, top], [right, top], [left, bottom], [right, bottom]])
    turned = corners @ np.asarray(frame.view, dtype=float).T
    (x0, y0), (x1, y1) = turned.min(axis=0), turned.max(axis=0)
    return float(x0), float(x1), float(y0), float(y1)
