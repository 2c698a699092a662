"""Names in a drawing, placed so that they do not cover each other."""

from __future__ import annotations

from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes

from autoalign.report.style import halo, plain

__all__ = ["Labels"]

Floats = npt.NDArray[np.float64]
Extent = tuple[float, float, float, float]

_EDGE = 4.0


@dataclass(frozen=True, slots=True)
class _Wish:
    text: str
    at: tuple[float, float]
    offset: tuple[float, float]
    colour: str


@dataclass(slots=True)
class Labels:
    """Collects names while a drawing is made and places them once its scale is settled.

    ``size`` is the type size in points.
    """

    size: float = 9.5
    _wishes: list[_Wish] = field(default_factory=list)
    _blocks: list[tuple[Floats, str, float]] = field(default_factory=list)

    def ask(self, text: str, at: Floats, offset: tuple[float, float], colour: str) -> None:
        """Ask for ``text`` beside the page point ``at`` (mm), ``offset`` points away from it."""
        self._wishes.append(_Wish(plain(text, 28), (float(at[0]), float(at[1])), offset, colour))

    def keep_clear(self, middle: Floats, text: str, angle: float) -> None:
        """Keep names off a ``text`` centred at ``middle``, turned by ``angle`` degrees."""
        self._blocks.append((middle, text, angle))

    def place(self, axes: Axes) -> None:
        """Write every name where it covers no other, as near as can be to where it was asked."""
        points = 72.0 / axes.get_figure(root=True).dpi  # type: ignore[union-attr]
        taken = [box for block in self._blocks for box in self._blocked(axes, block, points)]
        frame = axes.get_window_extent()
        room = tuple(v * points for v in (frame.x0, frame.x1, frame.y0, frame.y1))
        for wish in self._wishes:
            at = axes.transData.transform(wish.at) * points
            width = self._extent(wish.text)[0]
            options = [
                _between(self._box(wish, at, step), room[0], room[1])
                for step in _steps(wish.offset, width)
            ]
            best = min(
                range(len(options)),
                key=lambda k: (_overlap(options[k], taken) + _outside(options[k], room), k),
            )
            left, right, low, high = options[best]
            taken.append(options[best])
            axes.annotate(
                wish.text, wish.at, ((left + right) / 2 - at[0], (low + high) / 2 - at[1]),
                textcoords="offset points", ha="center", va="center", fontsize=self.size,
                color=wish.colour, fontweight="bold", zorder=9, path_effects=halo(),
                annotation_clip=False,
            ).set_in_layout(False)  # fmt: skip

    def _box(self, wish: _Wish, at: Floats, step: tuple[float, float]) -> Extent:
        dx, dy = wish.offset
        width, height = self._extent(wish.text)
        x = at[0] + dx + (0.0 if abs(dx) < _EDGE else np.sign(dx) * width / 2) + step[0]
        y = at[1] + dy + (0.0 if abs(dy) < _EDGE else np.sign(dy) * height / 2) + step[1]
        return float(x - width / 2), float(x + width / 2), y - height / 2, y + height / 2

    def _blocked(self, axes: Axes, block: tuple[Floats, str, float], points: float) -> list[Extent]:
        """Return small boxes along a text that may be turned."""
        middle, text, angle = block
        at = axes.transData.transform(middle) * points
        width, height = self._extent(text)
        way = np.array([np.cos(np.radians(angle)), np.sin(np.radians(angle))])
        spots = [at + way * width * t for t in (-0.4, -0.2, 0.0, 0.2, 0.4)]
        h = height / 2
        return [(float(x - h), float(x + h), float(y - h), float(y + h)) for x, y in spots]

    def _extent(self, text: str) -> tuple[float, float]:
        """Return about how wide and high ``text`` is, points."""
        return 0.68 * self.size * len(text), 1.25 * self.size


def _steps(offset: tuple[float, float], width: float) -> list[tuple[float, float]]:
    """Return moves (right, up) to try, points: short ones first, and the offset's own way first."""
    ups = [k * 14.0 for k in range(-4, 5)]
    rights = [f * width for f in (-1.0, -0.5, 0.0, 0.5, 1.0)]

    def cost(move: tuple[float, float]) -> float:
        back = sum(20.0 for m, o in zip(move, offset, strict=True) if m * o < -_EDGE)
        return abs(move[0]) + abs(move[1]) + back

    return sorted(((r, u) for r in rights for u in ups), key=cost)


def _between(box: Extent, low: float, high: float) -> Extent:
    """Return ``box`` moved sideways so that it does not reach past ``low`` or ``high``."""
    shift = min(high - box[1], 0.0)
    shift = max(shift, low - box[0]) if box[0] + shift < low else shift
    return box[0] + shift, box[1] + shift, box[2], box[3]


def _overlap(box: Extent, taken: list[Extent]) -> float:
    total = 0.0
    for other in taken:
        across = min(box[1], other[1]) - max(box[0], other[0])
        along = min(box[3], other[3]) - max(box[2], other[2])
        if across > 0 and along > 0:
            total += across * along
    return total


def _outside(box: Extent, room: tuple[float, ...]) -> float:
    """Return how much of the box's height lies outside the axes, as an area, points²."""
    width = box[1] - box[0]
    beyond = max(room[2] - box[2], 0.0) + max(box[3] - room[3], 0.0)
    return width * beyond
