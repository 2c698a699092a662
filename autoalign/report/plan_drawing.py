"""A bench drawn to scale from its layout: from above and from the side, with dimensions."""

from __future__ import annotations

from collections.abc import Sequence
from itertools import pairwise
from pathlib import Path
from textwrap import wrap

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.figure import Figure

from autoalign.core.units import given
from autoalign.optics.layout import Layout, Lines, Motion, Plane, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose, place
from autoalign.report import plan_parts as parts
from autoalign.report.bench_rays import (
    Box,
    Projection,
    box_around,
    chief_points,
    rim_points,
    side_view,
    top_view,
    trace_fan,
)
from autoalign.report.plan_labels import Labels
from autoalign.report.style import INK, QUIET, dress, halo, new_figure, plain, save_png

__all__ = ["WIDTH", "BenchView", "draw_plan", "plan_figure"]

# A layout worked out for drawing: what is where, what belongs into which picture.

Floats = npt.NDArray[np.float64]
_Leg = tuple[Floats, Floats, Floats, str]

WIDTH = 13.0
"""Width of a drawing, inches."""

_STRETCHES = (1, 2, 5, 10, 20, 50, 100, 200, 500)


class BenchView:
    """A layout with everything that its drawing needs, worked out once."""

    def __init__(self, layout: Layout) -> None:
        self.layout = layout
        self.poses = place(layout)
        self.chief = chief_points(layout)
        spread = np.ptp(self.chief, axis=0)
        along_x = bool(spread[0] > 1.2 * spread[2])
        self.top, self.side = top_view(along_x), side_view(along_x)
        self.fans = {v.name: trace_fan(layout, v.across) for v in (self.top, self.side)}
        self.aperture = max(e.surface.clear_aperture for e in layout.elements)
        self.near = [p for p in layout.planes if self._is_near(p.name)]

    def _is_near(self, plane: str) -> bool:
        """Whether a plane belongs into the picture of the part that moves."""
        core = self._core(self.top)
        both = box_around([*self._corners(self.top), self.top(self.poses[plane].position)])
        return both.size <= 1.7 * core.size

    def _corners(self, view: Projection) -> list[Floats]:
        rims = [
            view(
                self.poses[e.name].apply(rim_points(e.surface, e.surface.clear_aperture / 2, turns))
            )
            for e in self.layout.elements
            for turns in [np.linspace(0, 2 * np.pi, 25)]
        ]
        pivots = [view(np.array(m.pivot)) for m in self.layout.motions if m.kind == "turn"]
        return [*rims, *pivots, view(self.poses["source"].position)]

    def _core(self, view: Projection) -> Box:
        return box_around(self._corners(view))

    @property
    def is_long(self) -> bool:
        """Whether some plane lies outside the picture of the part that moves."""
        return len(self.near) < len(self.layout.planes)

    def box(self, view: Projection) -> Box:
        """Return the box of the detail in ``view``, room for names and dimensions included."""
        spots = [view(self.poses[p.name].position) for p in self.near]
        raw = box_around([*self._corners(view), *spots])
        grown = raw.grown(0.24 * self._core(self.top).size + 0.35 * self.aperture)
        least = 0.33 * grown.width
        lack = max(least - grown.height, 0.0) / 2
        wider = 0.06 * self._core(self.top).size
        return Box(grown.left - wider, grown.right + wider, grown.bottom - lack, grown.top + lack)

    def inches(self, view: Projection, width: float) -> float:
        """Return the height in inches that the detail in ``view`` needs at ``width`` inches."""
        box = self.box(view)
        return min(box.height / box.width * (width - 0.9), 7.5) + 0.9

    def draw_detail(self, axes: Axes, view: Projection) -> Labels:
        """Draw the part of the bench that moves, to scale; the names are placed by the caller."""
        box, labels = self.box(view), Labels()
        axes.set_xlim(box.left, box.right)
        axes.set_ylim(box.bottom, box.top)
        axes.set_aspect("equal", anchor="N")
        where = "Detail, " if self.is_long else "Bench, "
        dress(axes, *view.labels, f"{where}{view.name}, to scale", 10)
        self._light_and_mirrors(axes, view, box.size)
        for leg in self._legs(view, 0.05 * box.width):
            parts.dimension(axes, labels, *leg)
        reach = min(0.2 * self._core(self.top).size, 1.8 * self.aperture)
        self._screens(axes, labels, view, self.near)
        self._motions(axes, labels, view, reach)
        self._way_out(axes, view)
        return labels

    def strip_box(self) -> tuple[Box, int]:
        """Return the box of the strip and by how much its heights are drawn larger."""
        view = self.top
        raw = box_around(
            [*self._corners(view), view(self.fans[view.name].points), view(self.chief)]
        )
        box = raw.grown(max(0.02 * raw.width, 0.6 * self.aperture))
        flat = box.height / box.width
        stretch = next((s for s in _STRETCHES if s * flat > 0.055), _STRETCHES[-1])
        low, high = box.bottom - 0.5 * box.height, box.top + 0.12 * box.height
        return Box(box.left, box.right, low, high), stretch

    def strip_inches(self) -> float:
        """Return the height in inches that the strip needs."""
        box, stretch = self.strip_box()
        return min(stretch * box.height / box.width * (WIDTH - 1.0), 3.5) + 1.05

    def draw_strip(self, axes: Axes) -> Labels:
        """Draw the whole bench from above, heights stretched by a stated factor where needed."""
        labels = Labels()
        view = self.top
        box, stretch = self.strip_box()
        axes.set_xlim(box.left, box.right)
        axes.set_ylim(box.bottom, box.top)
        axes.set_aspect(stretch)
        scale = "to scale" if stretch == 1 else f"vertical scale × {stretch}"
        dress(axes, *view.labels, f"Whole bench, {view.name}, {scale}", 10)
        self._light_and_mirrors(axes, view, box.height)
        last = view(self.chief[len(self.layout.elements)])
        self._screens(axes, labels, view, self.layout.planes)
        far = [p for p in self.layout.planes if p not in self.near]
        for k, plane in enumerate(far):
            spot = view(self.poses[plane.name].position)
            level = box.bottom + (0.24 - k * 0.13) * box.height
            a, b = np.array([last[0], level]), np.array([spot[0], level])
            parts.dimension(axes, labels, a, b, np.zeros(2), f"{given(plane.distance)} mm")
        return labels

    def _light_and_mirrors(self, axes: Axes, view: Projection, size: float) -> None:
        parts.fan(axes, view, self.fans[view.name])
        for k, element in enumerate(self.layout.elements):
            incoming = self.chief[k + 1] - self.chief[k]
            parts.mirror(axes, view, element, self.poses[element.name], incoming)
        here: Pose = self.poses["source"]
        parts.source(axes, view, here.position, here.rotation[:, 2], min(size, 9 * self.aperture))

    def _screens(
        self, axes: Axes, labels: Labels, view: Projection, planes: Sequence[Plane]
    ) -> None:
        for plane in planes:
            index = self._station(plane)
            spread = np.abs(self.fans[view.name].points[index] - self.chief[index])
            half = max(1.5 * float(np.nanmax(spread, initial=0.0)), 0.35 * self.aperture)
            parts.screen(axes, labels, view, plane.name, self.poses[plane.name], half)

    def _station(self, plane: Plane) -> int:
        return 1 + len(self.layout.elements) + self.layout.planes.index(plane)

    def _legs(self, view: Projection, crowded: float) -> list[_Leg]:
        """Return the legs between source, mirrors and near planes to dimension in this view.

        Planes closer together than ``crowded`` (mm) share one line.
        """
        mirrors = len(self.layout.elements)
        stations = list(range(0 if isinstance(self.layout.light, Source) else 1, mirrors + 1))
        ends = [(i, j, "") for i, j in pairwise(stations)]
        groups: list[list[Plane]] = []
        for plane in self.near:
            if groups and abs(plane.distance - groups[-1][-1].distance) < crowded:
                groups[-1].append(plane)
            else:
                groups.append([plane])
        for group in groups:
            text = ", ".join(given(p.distance) for p in group) + " mm"
            ends.append((mirrors, self._station(group[len(group) // 2]), text))
        legs = []
        for k, (i, j, text) in enumerate(ends):
            if self._full(view, i, j) and not (view is self.side and self._full(self.top, i, j)):
                a, b = view(self.chief[i]), view(self.chief[j])
                step = 0.75 + 0.35 * max(k - len(stations) + 2, 0)
                legs.append((a, b, self._aside(view, i, j) * step * self.aperture, text))
        return legs

    def _aside(self, view: Projection, i: int, j: int) -> Floats:
        """Return the unit vector across a leg to the side where the rest of the beam is not."""
        a, b = view(self.chief[i]), view(self.chief[j])
        normal = np.array([-(b - a)[1], (b - a)[0]]) / float(np.hypot(*(b - a)))
        rest = [view(p) - (a + b) / 2 for n, p in enumerate(self.chief) if n not in (i, j)]
        pull = sum((r / max(float(np.hypot(*r)), 1e-9) for r in rest), np.zeros(2))
        return -normal if normal @ pull > 0 else normal

    def _full(self, view: Projection, i: int, j: int) -> bool:
        """Whether the leg between two stations is seen at its full length."""
        leg = self.chief[j] - self.chief[i]
        return float(np.hypot(*view(leg))) > 0.995 * float(np.linalg.norm(leg))

    def _motions(self, axes: Axes, labels: Labels, view: Projection, reach: float) -> None:
        for motion in self.layout.motions:
            seen_end_on = abs(np.array(motion.direction) @ self.top.toward) > 0.75
            if view is self.top or seen_end_on:
                parts.motion(axes, labels, view, motion, self._anchor(motion), reach)

    def _anchor(self, motion: Motion) -> Floats:
        if motion.kind == "turn":
            return np.array(motion.pivot, dtype=np.float64)
        return np.asarray(self.poses[motion.part].position, dtype=np.float64)

    def _way_out(self, axes: Axes, view: Projection) -> None:
        """Say where the beam goes on to, where it leaves the picture."""
        far = [p for p in self.layout.planes if p not in self.near]
        if not far:
            return
        mirrors = len(self.layout.elements)
        right = bool(view(self.chief[mirrors + 1] - self.chief[mirrors])[0] >= 0)
        text = "on to " + ", ".join(f"{plain(p.name, 20)} at {given(p.distance)} mm" for p in far)
        axes.text(
            0.99 if right else 0.01, 0.015, f"{text} →" if right else f"← {text}",
            transform=axes.transAxes, ha="right" if right else "left", va="bottom", fontsize=10,
            color=INK, path_effects=halo(), zorder=9,
        )  # fmt: skip

    def lines(self) -> list[str]:
        """Return what the drawing shows, in words."""
        out = []
        light = self.layout.light
        if isinstance(light, Source):
            out.append(
                f"Source: core {given(light.core_diameter * 1e3)} µm, NA {given(light.na)}, "
                f"{_colours(light.lines)}."
            )
        else:
            out.append(f"Beam: {given(light.diameter)} mm wide, {_colours(light.lines)}.")
        for element in self.layout.elements:
            s = element.surface
            out.append(
                f"{plain(element.name, 24)}: {given(s.off_axis_angle_deg)}° paraboloid section, "
                f"reflected focal length {given(s.reflected_focal_length)} mm, "
                f"off-axis distance {given(s.off_axis_distance)} mm, "
                f"clear aperture {given(s.clear_aperture)} mm."
                if isinstance(s, OffAxisParaboloid)
                else f"{plain(element.name, 24)}: flat mirror, clear aperture "
                f"{given(s.clear_aperture)} mm."
            )
        if self.fans[self.top.name].overfills:
            out.append(
                "The light overfills the first mirror: block what passes its edge. The drawn rays "
                "end at the edge."
            )
        return [*out, *parts.legend_lines(self.layout.motions)]


def _colours(lines: Lines) -> str:
    return f"{' + '.join(given(wavelength * 1e6) for wavelength, _ in lines)} nm"


_FLAT = 0.7
"""A bench that is wider than high by more than this gets the whole width for its top view."""


def draw_plan(layout: Layout, path: str | Path, facts: Sequence[str] = ()) -> Path:
    """Write the drawing of ``layout`` as PNG and return its path.

    ``facts`` are lines of text to print beside it, for instance from a plan.
    """
    return save_png(plan_figure(layout, facts), path, 140)


def plan_figure(layout: Layout, facts: Sequence[str] = ()) -> Figure:
    """Return the drawing: the whole bench as a strip where it is long, and the part that moves."""
    bench = BenchView(layout)
    lines = [part for line in (*bench.lines(), *facts) for part in wrap(plain(line, 400), 82)]
    box = bench.box(bench.top)
    wide = box.height / box.width < _FLAT
    top = bench.inches(bench.top, WIDTH if wide else WIDTH / 2)
    side, foot = bench.inches(bench.side, WIDTH / 2), 0.3 + 0.21 * len(lines)
    strip = [bench.strip_inches()] if bench.is_long else []
    heights = [*strip, top, max(side, foot)] if wide else [*strip, max(top, side + foot)]
    figure = new_figure(WIDTH, sum(heights))
    rows = figure.subfigures(len(heights), 1, squeeze=False, height_ratios=heights)[:, 0]
    named: list[tuple[Axes, Labels]] = []
    if strip:
        axes = rows[0].add_subplot()
        named.append((axes, bench.draw_strip(axes)))
    if wide:
        above = rows[-2].add_subplot()
        beside, text = rows[-1].subplots(1, 2)
    else:
        left, right = rows[-1].subfigures(1, 2)
        above = left.add_subplot()
        beside, text = right.subplots(2, 1, height_ratios=[side, heights[-1] - side])
    named.append((above, bench.draw_detail(above, bench.top)))
    named.append((beside, bench.draw_detail(beside, bench.side)))
    _notes(text, lines)
    figure.draw_without_rendering()
    for axes, labels in named:
        labels.place(axes)
    return figure


def _notes(axes: Axes, lines: Sequence[str]) -> None:
    axes.set_axis_off()
    axes.text(
        0.0, 1.0, "\n".join(lines), fontsize=10, color=QUIET, va="top", linespacing=1.4,
        transform=axes.transAxes,
    )  # fmt: skip
