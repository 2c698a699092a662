"""How far the axes may be off, and how far they must be able to go."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Layout, Motion
from autoalign.optics.pose import Array, Pose, displacement
from autoalign.plan.sensitivity import Sensitivity

__all__ = ["COVERAGE", "Field", "Reach", "capture_range", "travel_needed"]

Floats = npt.NDArray[np.float64]

COVERAGE = 3.0
"""Standard deviations of how parts stand that travel makes up for."""

Field = tuple[float, float]
"""Sides of a detector's field along x and y, mm."""

_STEP = 1e-40
_LIMIT = {"mm": 30.0, "rad": 0.3}
_LIGHT = 0.5
_RUNGS = 48


@dataclass(frozen=True, slots=True)
class Reach:
    """What the axes can make up for.

    Parameters
    ----------
    travel
        By axis, to either side, mm or rad.
    left
        By quantity: what they leave of it, in tolerances, to first order.
    """

    travel: Mapping[str, float]
    left: Mapping[str, float]


def capture_range(
    layout: Layout, axis: str, view: Mapping[str, float | Field], refinements: int = 2
) -> tuple[float, float]:
    """Return how far ``axis`` may be off, down and up, with the beam still in every view.

    In view: the spot's centre and half its width d_σ lie within half of ``view`` (side of the
    detector's field by plane, or sides along x and y, mm) of the plane's zero, and at least half
    the light arrives. All other axes at 0. Searched up to 30 mm or 0.3 rad. (0, 0) where not even
    the aligned beam is in view.
    """
    limit = _LIMIT["mm" if layout.motion(axis).kind == "shift" else "rad"]
    power = {p: float(v) for p, v in quantities(layout).items() if p.endswith(".power")}

    def seen(amounts: Floats) -> npt.NDArray[np.bool_]:
        with np.errstate(all="ignore"):
            found = quantities(layout, {axis: amounts})
            inside = np.ones(amounts.shape, dtype=bool)
            for plane, field in view.items():
                sides = field if isinstance(field, tuple) else (field, field)
                for across, width, side in zip(("x", "y"), ("xx", "yy"), sides, strict=True):
                    edge = np.abs(found[f"{plane}.{across}"]) + found[f"{plane}.{width}"] / 2
                    inside &= edge <= side / 2
                name = f"{plane}.power"
                inside &= found[name] >= _LIGHT * power[name]
        return inside

    ends = []
    for sign in (-1.0, 1.0):
        low, high = 0.0, limit
        rungs = np.concatenate([[0.0], np.geomspace(1e-5, 1, _RUNGS - 1)]) * limit
        for _ in range(1 + refinements):
            ok = seen(sign * rungs)
            lost = int(np.argmin(ok)) if not ok.all() else len(rungs)
            low = float(rungs[max(lost - 1, 0)]) if lost else 0.0
            if lost in (0, len(rungs)):
                break
            high = float(rungs[lost])
            rungs = np.linspace(low, high, _RUNGS)
        ends.append(sign * low)
    return ends[0], ends[1]


def travel_needed(
    layout: Layout,
    response: Sensitivity,
    tolerances: Mapping[str, float],
    shift: float,
    turn: float,
    coverage: float = COVERAGE,
) -> Reach:
    """Return how far the axes of ``response`` must go to make up for how parts stand.

    Every part (light and elements) is displaced by independent errors along and about its own three
    axes, with standard uncertainties ``shift`` mm and ``turn`` rad. The axes then move as little as
    they can (each measured in these uncertainties) to bring all ``tolerances`` (by quantity) back,
    as far as they can; ``coverage`` standard deviations of that motion and of what it leaves are
    returned. Axes that are not in ``response`` stay where they are.
    """
    scale = np.array([shift if unit == "mm" else turn for unit in response.units])
    weights = 1 / np.array(list(tolerances.values()))
    axes = response.rows(tuple(tolerances)) * weights[:, None] * scale
    parts = _placement_response(layout, tuple(tolerances), shift, turn) * weights[:, None]
    motion = np.linalg.pinv(axes, rcond=1e-4) @ parts
    need = coverage * np.sqrt(np.sum(motion**2, axis=1)) * scale
    left = coverage * np.sqrt(np.sum((parts - axes @ motion) ** 2, axis=1))
    return Reach(
        dict(zip(response.axes, need.tolist(), strict=True)),
        dict(zip(tolerances, left.tolist(), strict=True)),
    )


def _placement_response(
    layout: Layout, names: tuple[str, ...], shift: float, turn: float
) -> Floats:
    """(k, 6 parts): change of each quantity for one standard displacement of every part."""
    columns = []
    for part in ("source", *(e.name for e in layout.elements)):
        steps: list[Pose] = []
        for kind, size in (("shift", shift), ("turn", turn)):
            for line in np.eye(3):
                own = Motion("offset", part, kind, tuple(line))  # type: ignore[arg-type]
                steps.append(displacement(own, 1j * _STEP * size))
        offset = Pose(
            np.stack([np.broadcast_to(s.rotation, (3, 3)) for s in steps]),
            np.stack([np.broadcast_to(s.position, (3,)) for s in steps]),
        )
        found: dict[str, Array] = quantities(layout, offsets={part: offset})
        columns.append(np.stack([np.broadcast_to(found[n].imag, (6,)) for n in names]) / _STEP)
    return np.concatenate(columns, axis=1)
