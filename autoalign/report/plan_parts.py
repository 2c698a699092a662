"""The parts of a bench drawing: mirrors, planes, light, axis arrows and dimensions."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.patches import Arc, Circle, FancyArrowPatch, Polygon

from autoalign.core.units import given
from autoalign.optics.layout import Element, Motion
from autoalign.optics.pose import Pose
from autoalign.report.bench_rays import Fan, Projection, on_surface, rim_points
from autoalign.report.plan_labels import Labels
from autoalign.report.style import BLUE, FAINT, INK, MARK, QUIET, halo

__all__ = ["LIGHT", "arrow", "dimension", "fan", "mirror", "motion", "screen", "source"]

Floats = npt.NDArray[np.float64]

LIGHT = "#c08a00"


def fan(axes: Axes, view: Projection, rays: Fan) -> None:
    """Draw the light: the space between the outermost rays, and the rays."""
    page = view(rays.points)
    edges = page[:, [0, -1]]
    for a, b in pairwise(edges):
        if np.isfinite(b).all():
            corners = np.array([a[0], b[0], b[1], a[1]])
            axes.add_patch(Polygon(corners, facecolor=LIGHT, alpha=0.13, linewidth=0))
    for k in range(page.shape[1]):
        axes.plot(page[:, k, 0], page[:, k, 1], color=LIGHT, linewidth=0.9, zorder=2)


def mirror(axes: Axes, view: Projection, element: Element, pose: Pose, incoming: Floats) -> None:
    """Draw a mirror's body with its reflecting surface as a heavy line."""
    radius = element.surface.clear_aperture / 2
    along = np.linspace(-radius, radius, 41)
    zero = np.zeros_like(along)
    x, y = (along, zero) if view.across == 0 else (zero, along)
    front = on_surface(element.surface, x, y)
    behind = -np.sign(-(pose.rotation[:, 2] @ incoming)) or 1.0
    depth = 0.45 * radius
    rim = rim_points(element.surface, radius, np.linspace(0, 2 * np.pi, 73))
    back = front.copy()
    lowest = rim[:, 2].min() if behind < 0 else rim[:, 2].max()
    back[:, 2] = lowest + behind * depth
    body = view(pose.apply(np.concatenate([front, back[::-1]])))
    edge = view(pose.apply(rim))
    axes.add_patch(
        Polygon(body, facecolor=FAINT, edgecolor=QUIET, linewidth=1.0, hatch="////", zorder=3)
    )
    axes.plot(edge[:, 0], edge[:, 1], color=QUIET, linewidth=0.8, zorder=3)
    surface = view(pose.apply(front))
    axes.plot(surface[:, 0], surface[:, 1], color=INK, linewidth=3.0, zorder=4)


def source(axes: Axes, view: Projection, place: Floats, direction: Floats, size: float) -> None:
    """Draw the light's origin: a dot, with a housing behind it."""
    at, way = view(place), view(direction)
    length = float(np.hypot(*way))
    if length > 0.2:
        along = way / length * size * 0.07
        side = np.array([-along[1], along[0]]) * 0.35
        corners = np.array([at + side, at - side, at - side - along, at + side - along])
        axes.add_patch(Polygon(corners, facecolor=QUIET, edgecolor=INK, linewidth=0.8, zorder=4))
    axes.plot(*at, marker="o", markersize=4.5, color=INK, zorder=5)


def screen(
    axes: Axes, labels: Labels, view: Projection, name: str, pose: Pose, half: float
) -> None:
    """Draw a plane as a line across the beam, named above its upper end."""
    local = np.zeros((2, 3))
    local[:, view.across] = (-half, half)
    ends = view(pose.apply(local))
    axes.plot(ends[:, 0], ends[:, 1], color=BLUE, linewidth=3.0, solid_capstyle="butt", zorder=4)
    labels.ask(name, ends[np.argmax(ends[:, 1])], (0.0, 5.0), BLUE)


def motion(
    axes: Axes, labels: Labels, view: Projection, what: Motion, anchor: Floats, reach: float
) -> None:
    """Draw one axis at ``anchor`` with its name: straight arrows shift, ring arrows turn.

    Both show the positive sense; a turn is right-handed about its line.
    """
    at, way = view(anchor), np.asarray(what.direction, dtype=np.float64)
    facing = float(way @ view.toward)
    colour = BLUE if what.part == "source" else MARK
    name = f"{what.axis} +"
    if abs(facing) > 0.75:
        below = _facing(axes, what, at, reach, facing, colour)
        labels.ask(name, below, (0.0, -7.0), colour)
        return
    tip = at + view(way) * reach
    arrow(axes, at, tip, colour)
    if what.kind == "turn":
        _ring_on_line(axes, at, tip, reach, colour)
    outward = view(way) / max(float(np.hypot(*view(way))), 1e-9) * 9
    labels.ask(name, tip, (float(outward[0]), float(outward[1])), colour)


def arrow(axes: Axes, start: Floats, end: Floats, colour: str, width: float = 1.8) -> None:
    """Draw an arrow from ``start`` to ``end`` on the page."""
    axes.add_patch(
        FancyArrowPatch(
            tuple(start), tuple(end), arrowstyle="-|>", mutation_scale=12, color=colour,
            linewidth=width, shrinkA=0, shrinkB=0, zorder=7, path_effects=halo(3.4),
        )
    )  # fmt: skip


def _ring_on_line(axes: Axes, at: Floats, tip: Floats, reach: float, colour: str) -> None:
    """Draw a curl around an arrow: over it from the left of its way to the right, then behind."""
    middle = at + 0.62 * (tip - at)
    angle = float(np.degrees(np.arctan2(*(tip - at)[::-1])))
    width, height = 0.16 * reach, 0.46 * reach
    axes.add_patch(
        Arc(
            tuple(middle), width, height, angle=angle, theta1=270, theta2=350, color=colour,
            linewidth=1.4, zorder=6,
        )
    )  # fmt: skip
    axes.add_patch(
        Arc(
            tuple(middle), width, height, angle=angle, theta1=75, theta2=275, color=colour,
            linewidth=1.8, zorder=8, path_effects=halo(4.2),
        )
    )  # fmt: skip
    turn = np.radians(angle)
    rotate = np.array([[np.cos(turn), -np.sin(turn)], [np.sin(turn), np.cos(turn)]])
    ends = np.radians([335.0, 352.0])
    local = np.stack([width / 2 * np.cos(ends), height / 2 * np.sin(ends)], axis=1)
    a, b = middle + local @ rotate.T
    arrow(axes, a, b + (b - a) * 0.4, colour, 1.2)


def _facing(
    axes: Axes, what: Motion, at: Floats, reach: float, facing: float, colour: str
) -> Floats:
    """Draw an axis that points at the viewer or away; return where its name may hang."""
    if what.kind == "shift":
        radius = 0.11 * reach
        axes.add_patch(
            Circle(tuple(at), radius, facecolor="white", edgecolor=colour, linewidth=1.6, zorder=7)
        )
        if facing > 0:
            axes.plot(*at, marker="o", markersize=4, color=colour, zorder=8)
        else:
            axes.plot(*at, marker="x", markersize=6, color=colour, zorder=8, markeredgewidth=1.6)
        below: Floats = at - np.array([0.0, 0.3 * reach])
        return below
    radius = 0.36 * reach
    first, last = (-60.0, 210.0)
    axes.add_patch(
        Arc(
            tuple(at), 2 * radius, 2 * radius, theta1=first, theta2=last, color=colour,
            linewidth=1.8, zorder=7,
        )
    )  # fmt: skip
    end = np.radians(last if facing > 0 else first)
    step = np.radians(14.0 if facing > 0 else -14.0)
    a, b = (at + radius * np.array([np.cos(t), np.sin(t)]) for t in (end - step, end + step * 0.3))
    arrow(axes, a, b, colour, 1.4)
    under: Floats = at - np.array([0.0, radius])
    return under


def dimension(
    axes: Axes, labels: Labels, start: Floats, end: Floats, offset: Floats, text: str = ""
) -> None:
    """Draw a dimension line from ``start`` to ``end``, moved aside by ``offset`` (page, mm)."""
    a, b = start + offset, end + offset
    for point, foot in ((a, start), (b, end)):
        axes.plot(*np.stack([foot, point]).T, color=QUIET, linewidth=0.7, zorder=1)
    axes.add_patch(
        FancyArrowPatch(
            tuple(a), tuple(b), arrowstyle="<|-|>", mutation_scale=9, color=QUIET, linewidth=0.9,
            shrinkA=0, shrinkB=0, zorder=5,
        )
    )  # fmt: skip
    middle = (a + b) / 2
    length = float(np.hypot(*(end - start)))
    angle = np.degrees(np.arctan2(*(b - a)[::-1]))
    angle = angle - 180 * np.round(angle / 180)
    words = text or f"{given(round(length, 3))} mm"
    labels.keep_clear(middle, words, float(angle))
    axes.text(
        float(middle[0]), float(middle[1]), words, color=INK, ha="center", va="center",
        rotation=float(angle), rotation_mode="anchor", fontsize=10, zorder=6,
        bbox={"facecolor": "white", "edgecolor": "none", "pad": 1.2},
    )  # fmt: skip


def legend_lines(motions: Sequence[Motion]) -> tuple[str, ...]:
    """Return how to read the arrows, as far as ``motions`` need it."""
    kinds = {m.kind for m in motions}
    out = []
    if "shift" in kinds:
        out.append("Straight arrow: positive shift. Ring with a dot: towards you; with a ×: away.")
    if "turn" in kinds:
        out.append("Curled arrow: positive turn, right-handed about its line.")
    return tuple(out)
