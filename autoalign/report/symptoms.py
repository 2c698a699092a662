"""From physics to words: what changes at each plane when one axis is misaligned.

Directions are as viewed against the beam: x to the right in the plane of incidence, y up.
"""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.units import given, number, percent
from autoalign.optics.layout import Layout
from autoalign.report.spots import Spot, spots_at

__all__ = [
    "Effect",
    "Symptom",
    "amount_label",
    "axis_symptoms",
    "findings",
    "look_alikes",
    "readings",
]

Floats = npt.NDArray[np.float64]

_MOVED = 0.02
_GREW = 0.01
_STRETCHED = 0.006
_SKEWED = 0.03
_DIMMED = 0.01
_VISIBLE = 0.2

_KINDS = ("moves", "grows", "shrinks", "stretches", "becomes", "dims", "dark")
_RANK = {kind: rank for rank, kind in enumerate(_KINDS)}


@dataclass(frozen=True, slots=True)
class Effect:
    """One visible change: ``kind``, ``strength`` (how marked it is), and ``words`` that say it."""

    kind: str
    strength: float
    words: str


@dataclass(frozen=True, slots=True)
class Symptom:
    """What ``amount`` (mm or rad) on ``axis`` does: spots by plane without and with it."""

    axis: str
    unit: str
    amount: float
    before: Mapping[str, Spot]
    after: Mapping[str, Spot]

    @property
    def label(self) -> str:
        """Axis and amount with its sign and unit."""
        return f"{self.axis} {amount_label(self.amount, self.unit)}"

    def findings(self, plane: str) -> tuple[Effect, ...]:
        """Return the changes at ``plane``, most marked first."""
        return findings(self.before[plane], self.after[plane])

    def sentence(self, plane: str) -> str:
        """Return the changes at ``plane`` in words."""
        seen = self.findings(plane)
        return "; ".join(f.words for f in seen) if seen else "no visible change"


def amount_label(amount: float, unit: str) -> str:
    """Return an amount with its sign, in mm or µm, mrad or µrad."""
    small = abs(amount) < (0.01 if unit == "mm" else 1e-5)
    shown = {"mm": (1.0, "mm"), "rad": (1e3, "mrad")}[unit]
    if small:
        shown = {"mm": (1e3, "µm"), "rad": (1e6, "µrad")}[unit]
    sign = "+" if amount > 0 else "−"
    return f"{sign}{given(abs(amount) * shown[0])} {shown[1]}"


def axis_symptoms(
    layout: Layout, progress: Callable[[str], None] | None = None
) -> tuple[Symptom, ...]:
    """Return the symptoms of every axis of ``layout``, + and −, by an amount that shows.

    The amount is the smallest of 1, 2, 5, 10 … (mm, µm, mrad or µrad) at which something moves or
    grows by a fifth of the beam's width, or is stretched by as much. ``progress`` is given the name
    of each axis before it is traced.
    """
    before = spots_at(layout)
    out = []
    for motion in layout.motions:
        if progress is not None:
            progress(motion.axis)
        unit = "mm" if motion.kind == "shift" else "rad"
        amount = _telling(layout, motion.axis, before)
        for signed in (amount, -amount):
            after = spots_at(layout, {motion.axis: signed})
            out.append(Symptom(motion.axis, unit, signed, before, after))
    return tuple(out)


def findings(before: Spot, after: Spot) -> tuple[Effect, ...]:
    """Return what has changed from ``before`` to ``after``, most marked first."""
    if not after.power > 0:
        return (Effect("dark", math.inf, "dark: no light arrives"),)
    found = [*_moved(before, after), *_grown(before, after), *_stretched(before, after)]
    found += [*_skewed(before, after), *_dimmed(before, after)]
    return tuple(sorted(found, key=lambda f: -f.strength))


def readings(symptoms: Sequence[Symptom]) -> dict[str, tuple[str, ...]]:
    """Return the possible causes of every kind of change ("far: moves right").

    Plane by plane; the strongest cause comes first.
    """
    causes: dict[tuple[int, int, str], list[tuple[float, str]]] = {}
    for symptom in symptoms:
        for place, plane in enumerate(symptom.after):
            for finding in symptom.findings(plane):
                key = (place, _RANK[finding.kind.split()[0]], f"{plane}: {finding.kind}")
                causes.setdefault(key, []).append((finding.strength, symptom.label))
    return {
        key[2]: tuple(label for _, label in sorted(entry, key=lambda e: -e[0]))
        for key, entry in sorted(causes.items())
    }


def look_alikes(symptoms: Sequence[Symptom], alike: float = 0.985) -> tuple[tuple[str, str], ...]:
    """Return pairs (with their signs) whose changes at every plane differ only in size.

    Two are alike if the cosine between what they do, in units of the beam's width, is above
    ``alike``: one measurement at these planes then does not distinguish them.
    """
    shapes = [(s, _shape(s)) for s in symptoms]
    pairs = []
    for k, (one, a) in enumerate(shapes):
        for other, b in shapes[k + 1 :]:
            size = float(np.linalg.norm(a) * np.linalg.norm(b))
            if one.axis != other.axis and one.amount > 0 and size > 0 and a @ b > alike * size:
                pairs.append((one.label, other.label))
    return tuple(pairs)


def _shape(symptom: Symptom) -> Floats:
    parts = []
    for plane, before in symptom.before.items():
        after = symptom.after[plane]
        parts += [
            (after.x - before.x) / before.width,
            (after.y - before.y) / before.width,
            after.width / before.width - 1,
            *(a - b for a, b in zip(after.stretch, before.stretch, strict=True)),
        ]
    return np.nan_to_num(np.array(parts, dtype=np.float64))


def _telling(layout: Layout, axis: str, before: Mapping[str, Spot]) -> float:
    for power in range(-4, 2):
        for digit in (1.0, 2.0, 5.0):
            amount = digit * 10.0**power
            after = spots_at(layout, {axis: amount})
            if max(_change(before[p], after[p]) for p in before) >= _VISIBLE:
                return amount
    return 10.0


def _change(before: Spot, after: Spot) -> float:
    """Return the largest change in units of the beam's width."""
    if not after.power > 0:
        return math.inf
    moved = math.hypot(after.x - before.x, after.y - before.y) / before.width
    grown = abs(after.width / before.width - 1)
    stretched = math.hypot(*(a - b for a, b in zip(after.stretch, before.stretch, strict=True)))
    return max(moved, grown, stretched)


def _moved(before: Spot, after: Spot) -> list[Effect]:
    dx, dy = after.x - before.x, after.y - before.y
    whole = math.hypot(dx, dy)
    if whole < _MOVED * before.width:
        return []
    parts = []
    for step, (positive, negative) in ((dx, ("right", "left")), (dy, ("up", "down"))):
        if abs(step) >= 0.15 * whole:
            parts.append((positive if step > 0 else negative, _length(abs(step))))
    kind = "moves " + " and ".join(way for way, _ in parts)
    words = "moves " + " and ".join(f"{way} {much}" for way, much in parts)
    return [Effect(kind, whole / before.width, words)]


def _grown(before: Spot, after: Spot) -> list[Effect]:
    ratio = after.width / before.width - 1
    if abs(ratio) < _GREW:
        return []
    kind = "grows" if ratio > 0 else "shrinks"
    words = f"{kind} from {_length(before.width)} to {_length(after.width)} across"
    return [Effect(kind, abs(ratio), words)]


def _stretched(before: Spot, after: Spot) -> list[Effect]:
    upright, slanted = (a - b for a, b in zip(after.stretch, before.stretch, strict=True))
    amount = math.hypot(upright, slanted)
    if amount < _STRETCHED:
        return []
    if abs(upright) >= abs(slanted):
        way, name = "sideways" if upright > 0 else "up and down", "astigmatism 0°"
    else:
        way = "along the rising diagonal (╱)" if slanted > 0 else "along the falling diagonal (╲)"
        name = "astigmatism 45°"
    ratio = (1 + amount) / (1 - min(amount, 0.999))
    kind = f"stretches {way}, as by {name}"
    return [Effect(kind, amount, f"{kind}, {number(ratio)} to 1")]


def _skewed(before: Spot, after: Spot) -> list[Effect]:
    x, y = (a - b for a, b in zip(after.skew, before.skew, strict=True))
    amount = math.hypot(x, y)
    if amount < _SKEWED:
        return []
    ways = ("right", "left", "up", "down")
    way = ways[(0 if x > 0 else 1) if abs(x) >= abs(y) else (2 if y > 0 else 3)]
    kind = f"becomes a teardrop, tail {way}, as by coma"
    return [Effect(kind, amount, kind)]


def _dimmed(before: Spot, after: Spot) -> list[Effect]:
    lost = 1 - after.power / before.power
    if lost < _DIMMED:
        return []
    return [Effect("dims", lost, f"dims: {percent(lost)} of the light passes the edge of a mirror")]


def _length(value: float) -> str:
    return f"{number(value)} mm" if value >= 0.1 else f"{number(value * 1e3)} µm"
