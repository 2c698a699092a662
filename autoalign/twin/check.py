"""Wiring check: each axis alone, tiny first, against what the twin expects of it.

Pure functions on observations; who moves and looks is up to the caller. The response of a step is
the change of all readings, each divided by its uncertainty. It is compared with the responses that
the twin expects of every axis: alike and of the same size is well; alike and opposite is reversed;
like another axis' is exchanged; none, where one should show, is dead. A step that is too small to
tell is never made larger "to see better" than :func:`first_step` allows.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from enum import StrEnum

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile
from autoalign.twin.fit import Look, look_from_profiles
from autoalign.twin.model import Twin
from autoalign.twin.unknowns import position_sigma

__all__ = ["AxisFinding", "AxisVerdict", "Trial", "check_axes", "first_step", "lost_motion"]

Floats = npt.NDArray[np.float64]

VISIBLE = 12.0
"""A step should show this many standard uncertainties."""
TELLING = 5.0
"""Below this many nothing can be told."""
ALIKE = 0.8
"""Cosine above which two responses are of one kind."""
LARGEST = 0.02
"""No step of the check is larger than this part of the travel."""


class AxisVerdict(StrEnum):
    """What an axis turned out to be."""

    WELL = "as expected"
    DEAD = "does not move"
    REVERSED = "runs backwards"
    EXCHANGED = "exchanged with another axis"
    SCALE = "moves too far or too little"
    STRANGE = "moves like no axis of the layout"
    UNSURE = "too small a step to tell"


@dataclass(frozen=True, slots=True, eq=False)
class Trial:
    """One step of one axis: from where, by how much (mm or rad), and what was seen at both ends."""

    axis: str
    start: Floats
    step: float
    before: Mapping[str, BeamProfile]
    after: Mapping[str, BeamProfile]


@dataclass(frozen=True, slots=True)
class AxisFinding:
    """What one trial says.

    ``ratio`` of seen over expected motion with its standard uncertainty ``u_ratio``; ``likeness``,
    the cosine between the two responses; ``like``, the axis whose expected response is closest.
    """

    axis: str
    verdict: AxisVerdict
    ratio: float
    u_ratio: float
    likeness: float
    like: str
    words: str


def first_step(twin: Twin, positions: Floats, axis: str, look: Look) -> float:
    """Return the smallest step of ``axis`` (mm or rad) that should show clearly.

    ``look`` at ``positions`` gives the uncertainty of the readings. Never more than a fiftieth of
    the travel, and towards the middle of it.
    """
    k = [a.name for a in twin.axes].index(axis)
    motion = _responses(twin, positions, look)[0]
    strength = float(np.linalg.norm(motion[:, k]))
    a = twin.axes[k]
    size = max(VISIBLE / max(strength, 1e-300), VISIBLE * position_sigma(a))
    size = min(size, LARGEST * a.travel)
    return math.copysign(max(size, 2 * a.resolution), (a.lower + a.upper) / 2 - positions[k])


def check_axes(twin: Twin, trials: Sequence[Trial], tolerance: float = 0.1) -> list[AxisFinding]:
    """Judge each trial; ``tolerance`` is how far a scale may be off."""
    return [_judge(twin, trial, tolerance) for trial in trials]


def lost_motion(forward: AxisFinding, back: AxisFinding, step: float) -> tuple[float, float]:
    """Return the play (mm or rad) and its standard uncertainty.

    ``forward`` is a step with the play taken up, ``back`` the same step in reverse right after it;
    what the reversal falls short of the forward step is the play.
    """
    lost = (abs(forward.ratio) - abs(back.ratio)) * abs(step)
    return max(lost, 0.0), math.hypot(forward.u_ratio, back.u_ratio) * abs(step)


def _responses(twin: Twin, positions: Floats, look: Look) -> tuple[Floats, Floats]:
    """Expected motion (readings, axes) and whitening (readings,) for the second-order readings."""
    seen = twin.predict(positions[None], np.zeros(twin.size), derivatives=True)
    assert seen.motion is not None
    rows = [(k, m) for k, used in look.used.items() for m in used if m < 5]
    white = np.array([1 / math.sqrt(2 * look.covariance[k][m, m]) for k, m in rows])
    motion = np.array([seen.motion[0, k, m] for k, m in rows]) * white[:, None]
    return motion, white


def _change(before: Look, after: Look) -> Floats:
    rows = [(k, m) for k, used in before.used.items() for m in used if m < 5]
    return np.array([after.moments[k][m] - before.moments[k][m] for k, m in rows])


def _judge(twin: Twin, trial: Trial, tolerance: float) -> AxisFinding:
    names = [a.name for a in twin.axes]
    k = names.index(trial.axis)
    planes = {p for p in trial.before if p in trial.after}
    before, after = (
        look_from_profiles(twin.planes, trial.start, {p: s[p] for p in planes}, third=False)
        for s in (trial.before, trial.after)
    )
    both = {p: np.intersect1d(u, after.used.get(p, [])) for p, u in before.used.items()}
    before.used.clear()
    before.used.update({p: u for p, u in both.items() if len(u)})
    motion, white = _responses(twin, trial.start, before)
    change = _change(before, after) * white
    expected = motion[:, k] * trial.step
    strength, size = float(np.linalg.norm(expected)), float(np.linalg.norm(change))
    ratio = float(expected @ change) / max(strength**2, 1e-300)
    likeness = float(expected @ change) / max(strength * size, 1e-300)
    same = [j for j, a in enumerate(twin.axes) if a.unit == twin.axes[k].unit]
    cosines = [_cosine(motion[:, j] * trial.step, change) for j in same]
    like = same[int(np.argmax(np.abs(cosines)))]
    noise = math.sqrt(len(change)) + 3
    placing = math.sqrt(2) * position_sigma(twin.axes[k]) / max(abs(trial.step), 1e-300)
    u_ratio = math.hypot(1 / max(strength, 1e-300), placing)
    verdict = _verdict(
        strength, size, noise, ratio, u_ratio, likeness, max(map(abs, cosines)), tolerance
    )
    words = _words(trial.axis, verdict, ratio, u_ratio, names[like])
    return AxisFinding(trial.axis, verdict, ratio, u_ratio, likeness, names[like], words)


def _cosine(a: Floats, b: Floats) -> float:
    return float(a @ b) / max(float(np.linalg.norm(a) * np.linalg.norm(b)), 1e-300)


def _verdict(
    strength: float,
    size: float,
    noise: float,
    ratio: float,
    u_ratio: float,
    likeness: float,
    best: float,
    tolerance: float,
) -> AxisVerdict:
    if strength < TELLING:
        return AxisVerdict.UNSURE
    if size < noise and ratio < 0.5:
        return AxisVerdict.DEAD
    if best > ALIKE and best > abs(likeness) + 0.1:
        return AxisVerdict.EXCHANGED
    if abs(likeness) < ALIKE:
        return AxisVerdict.STRANGE
    if likeness < 0:
        return AxisVerdict.REVERSED
    return AxisVerdict.WELL if abs(ratio - 1) < tolerance + 2 * u_ratio else AxisVerdict.SCALE


def _words(axis: str, verdict: AxisVerdict, ratio: float, u_ratio: float, like: str) -> str:
    amount = f"{ratio:.2f} ± {u_ratio:.2f} of the expected motion"
    return {
        AxisVerdict.WELL: f"{axis}: as expected ({amount})",
        AxisVerdict.DEAD: f"{axis}: does not move; check its power, its cable and its limits",
        AxisVerdict.REVERSED: f"{axis}: runs backwards ({amount}); reverse its sign",
        AxisVerdict.EXCHANGED: f"{axis}: moves like {like}; check which cable goes where",
        AxisVerdict.SCALE: f"{axis}: {amount}; check its units per step",
        AxisVerdict.STRANGE: f"{axis}: moves like no axis of the layout; check the bench file",
        AxisVerdict.UNSURE: f"{axis}: the step was too small to tell",
    }[verdict]
