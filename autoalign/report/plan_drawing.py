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

from autoalign.optics.layout import Layout, Motion, Plane, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Pose, place
from autoalign.report import plan_parts as parts
from autoalign.report.bench_rays import Fan, chief_points, rim_points, trace_fan
from autoalign.report.projection import Box, Projection, box_around, side_view, top_view
from autoalign.report.style import INK, QUIET, dress, halo, new_figure, plain, save_png
from autoalign.report.words import given

__all__ = ["draw_plan", "plan_figure"]

Floats = npt.NDArray[np.float64]

_WIDTH = 13.0
"""Inches."""

_STRETCHES = (1, 2, 5, 10, 20, 50, 100, 200, 500)


def draw_plan(layout: Layout, path: str | Path, facts: Sequence[str] = ()) -> Path:
    """Write the drawing of ``layout`` as PNG and return its path.

    ``facts`` are lines of text to print beside it, for instance from a plan.
    """
    return save_png(plan_figure(layout, facts), path, 140)


def plan_figure(layout: Layout, facts: Sequence[str] = ()) -> Figure:
    """Return the drawing: the whole bench as a strip where it is long, and the part that moves."""
    bench = _Bench(layout)
    lines = [part for line in (*bench.lines(), *facts) for part in wrap(line, 82)]
    top, side = (bench.inches(v, _WIDTH / 2) for v in (bench.top, bench.side))
    foot = 0.3 + 0.21 * len(lines)
    below = max(top, side + foot)
    strip = [bench.strip_inches()] if bench.is_long else []
    figure = new_figure(_WIDTH, sum(strip) + below)
    rows = figure.subfigures(len(strip) + 1, 1, squeeze=False, height_ratios=[*strip, below])[:, 0]
    if strip:
        bench.draw_strip(rows[0].add_subplot())
    left, right = rows[-1].subfigures(1, 2)
    bench.draw_detail(left.add_subplot(), bench.top)
    upper, lower = right.subplots(2, 1, height_ratios=[side, below - side])
    bench.draw_detail(upper, bench.side)
    _notes(lower, lines)
    return figure


class _Bench:
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
        least = 0.45 * grown.width
        lack = max(least - grown.height, 0.0) / 2
        return Box(grown.left, grown.right, grown.bottom - lack, grown.top + lack)

    def inches(self, view: Projection, width: float) -> float:
        """Return the height in inches that the detail in ``view`` needs at ``width`` inches."""
        box = self.box(view)
        return min(box.height / box.width * (width - 0.9), 7.5) + 0.9

    def draw_detail(self, axes: Axes, view: Projection) -> None:
        """Draw the part of the bench that moves, to scale."""
        box = self.box(view)
        axes.set_xlim(box.left, box.right)
        axes.set_ylim(box.bottom, box.top)
        axes.set_aspect("equal", anchor="N")
        where = "The moving part, " if self.is_long else "The bench, "
        dress(axes, *view.labels, f"{where}{view.name}, to scale", 10)
        self._light_and_mirrors(axes, view, box.size)
        self._screens(axes, view, self.near, 0.1 * box.width)
        for a, b, offset in self._legs(view):
            parts.dimension(axes, a, b, offset)
        reach = min(0.2 * self._core(self.top).size, 1.8 * self.aperture)
        self._motions(axes, view, reach)
        self._way_out(axes, view)

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
        return min(stretch * box.height / box.width * (_WIDTH - 1.0), 3.5) + 1.05

    def draw_strip(self, axes: Axes) -> None:
        """Draw the whole bench from above, heights stretched by a stated factor where needed."""
        view = self.top
        box, stretch = self.strip_box()
        axes.set_xlim(box.left, box.right)
        axes.set_ylim(box.bottom, box.top)
        axes.set_aspect(stretch)
        scale = "to scale" if stretch == 1 else f"heights drawn {stretch} × larger"
        dress(axes, *view.labels, f"The whole bench, {view.name}, {scale}", 10)
        self._light_and_mirrors(axes, view, box.height)
        last = view(self.chief[len(self.layout.elements)])
        self._screens(axes, view, self.layout.planes, 0.04 * box.width)
        far = [p for p in self.layout.planes if p not in self.near]
        for k, plane in enumerate(far):
            spot = view(self.poses[plane.name].position)
            level = box.bottom + (0.24 - k * 0.13) * box.height
            a, b = np.array([last[0], level]), np.array([spot[0], level])
            parts.dimension(axes, a, b, np.zeros(2), f"{given(plane.distance)} mm")

    def _light_and_mirrors(self, axes: Axes, view: Projection, size: float) -> None:
        parts.fan(axes, view, self.fans[view.name])
        for k, element in enumerate(self.layout.elements):
            incoming = self.chief[k + 1] - self.chief[k]
            parts.mirror(axes, view, element, self.poses[element.name], incoming)
        here: Pose = self.poses["source"]
        parts.source(axes, view, here.position, here.rotation[:, 2], size)

    def _screens(
        self, axes: Axes, view: Projection, planes: Sequence[Plane], crowded: float
    ) -> None:
        """Draw planes; names of planes closer together than ``crowded`` (mm) are stacked."""
        names = [p.name for p in self.layout.planes]
        fan: Fan = self.fans[view.name]
        rank, before = 0, np.array([np.inf, np.inf])
        for plane in planes:
            index = 1 + len(self.layout.elements) + names.index(plane.name)
            spread = np.abs(fan.points[index] - self.chief[index])
            half = max(1.5 * float(np.nanmax(spread, initial=0.0)), 0.35 * self.aperture)
            here = view(self.poses[plane.name].position)
            rank = rank + 1 if float(np.hypot(*(here - before))) < crowded else 0
            parts.screen(axes, view, plane.name, self.poses[plane.name], half, rank)
            before = here

    def _legs(self, view: Projection) -> list[tuple[Floats, Floats, Floats]]:
        """Return the legs between source, mirrors and near planes to dimension in this view."""
        mirrors = len(self.layout.elements)
        stations = list(range(0 if isinstance(self.layout.light, Source) else 1, mirrors + 1))
        names = [p.name for p in self.layout.planes]
        pairs = list(pairwise(stations))
        pairs += [(mirrors, 1 + mirrors + names.index(p.name)) for p in self.near]
        legs = []
        for k, (i, j) in enumerate(pairs):
            if not self._full(view, i, j) or (view is self.side and self._full(self.top, i, j)):
                continue
            a, b = view(self.chief[i]), view(self.chief[j])
            normal = np.array([-(b - a)[1], (b - a)[0]]) / float(np.hypot(*(b - a)))
            rest = [view(p) - (a + b) / 2 for n, p in enumerate(self.chief) if n not in (i, j)]
            pull = sum((r / max(float(np.hypot(*r)), 1e-9) for r in rest), np.zeros(2))
            away = -normal if normal @ pull > 0 else normal
            legs.append((a, b, away * (0.75 + 0.35 * max(k - mirrors + 2, 0)) * self.aperture))
        return legs

    def _full(self, view: Projection, i: int, j: int) -> bool:
        """Whether the leg between two stations is seen at its full length."""
        leg = self.chief[j] - self.chief[i]
        return float(np.hypot(*view(leg))) > 0.995 * float(np.linalg.norm(leg))

    def _motions(self, axes: Axes, view: Projection, reach: float) -> None:
        taken: list[Floats] = []
        for motion in self.layout.motions:
            seen_end_on = abs(np.array(motion.direction) @ self.top.toward) > 0.75
            if view is self.side and not seen_end_on:
                continue
            anchor = self._anchor(motion)
            at, rank = view(anchor), 0
            if seen_end_on:
                rank = sum(float(np.hypot(*(at - t))) < 0.5 * reach for t in taken)
                taken.append(at)
            parts.motion(axes, view, motion, anchor, reach, rank)

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
                f"{given(light.wavelength * 1e6)} nm."
            )
        else:
            out.append(
                f"Beam: {given(light.diameter)} mm wide, {given(light.wavelength * 1e6)} nm."
            )
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
            out.append("The light overfills the first mirror; the drawn rays end at its edge.")
        return [*out, *parts.legend_lines(self.layout.motions)]


def _notes(axes: Axes, lines: Sequence[str]) -> None:
    axes.set_axis_off()
    axes.text(
        0.0, 1.0, "\n".join(lines), fontsize=10, color=QUIET, va="top", linespacing=1.4,
        transform=axes.transAxes,
    )  # fmt: skip
