"""Which explanation of what an axis did is the best one.

Each explanation expects a change and is unsure of it by a covariance; its cost is χ², and one that
reports a fault of the hardware costs more, by the constant of :mod:`.hypotheses`. The cheapest one
is the verdict.
"""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile, moment_map
from autoalign.check.axis_response import AxisResponse
from autoalign.check.expectation import Expectation
from autoalign.diagnosis.hypotheses import (
    ACCUSED,
    STILL,
    SURELY,
    TOLERANCE,
    AxisVerdict,
    Hypothesis,
    Judgement,
)
from autoalign.session import Camera

__all__ = ["judge", "pair_up", "to_true_plane", "true_profiles"]

Floats = npt.NDArray[np.float64]

# Cameras that are really arranged as a hypothesis has it: from frames to true planes.


def to_true_plane(hypothesis: Hypothesis, plane: str, cameras: Mapping[str, Camera]) -> Floats:
    """Return the (2, 2) matrix from frame axes as stated to true axes of the true plane."""
    stated, true = cameras[plane], cameras[hypothesis.place(plane)]
    zoom = np.diag([true.pitch_x / stated.pitch_x, true.pitch_y / stated.pitch_y])
    turn = np.asarray(hypothesis.turns.get(plane, STILL), dtype=float)
    matrix: Floats = turn @ np.asarray(true.view, dtype=float) @ zoom
    return matrix


def true_profiles(
    hypothesis: Hypothesis, seen: Mapping[str, BeamProfile], cameras: Mapping[str, Camera]
) -> dict[str, BeamProfile]:
    """Return what was measured under the names of the true planes, in their axes."""
    out = {}
    for plane, profile in seen.items():
        stated, true = cameras[plane], cameras[hypothesis.place(plane)]
        matrix = to_true_plane(hypothesis, plane, cameras)
        wide = moment_map(matrix)
        moments = wide @ profile.moments
        zeros = np.array(stated.origin) - np.array(true.origin)
        moments[:2] += matrix @ (zeros * [stated.pitch_x, stated.pitch_y])
        out[hypothesis.place(plane)] = replace(
            profile,
            moments=moments,
            covariance=wide @ profile.covariance @ wide.T,
            plane=hypothesis.place(plane),
            view=STILL,
        )
    return out


TELLING = 5.0
"""Below this many standard uncertainties of change nothing can be concluded."""

FITTED = 4.0
"""What an explanation with a number fitted to the data pays for it."""

VAGUE = 0.4
"""A scale that cannot be judged to this part is said to be so."""


@dataclass(frozen=True, slots=True, eq=False)
class _Seen:
    """A change (r,) with its noise (r, r) at ``places`` (r, 2) of the model's planes."""

    places: npt.NDArray[np.intp]
    change: Floats
    noise: Floats


def judge(
    axis: str,
    step: float,
    response: AxisResponse,
    expectation: Expectation,
    cameras_as: Hypothesis,
    cameras: Mapping[str, Camera],
) -> Judgement:
    """Judge what a ``step`` (mm or rad) of ``axis`` did, cameras being as ``cameras_as`` has it."""
    seen = _in_plane_axes(response, expectation.model.planes, cameras_as, cameras)
    k = expectation.index(axis)
    if not len(seen.change):
        return Judgement(AxisVerdict.UNSURE, 0.0, like=axis)
    own, model = expectation.change(k, seen.places, step)
    noise = seen.noise
    if math.sqrt(_chi(own, noise)) < TELLING:
        return Judgement(AxisVerdict.UNSURE, min(_chi(seen.change, noise), 3 * ACCUSED), like=axis)
    weight = np.linalg.inv(noise + model)
    u = 1 / math.sqrt(float(own @ weight @ own))
    ratio = float(own @ weight @ seen.change) * u**2
    u *= _birge(_chi(seen.change - ratio * own, noise + model), len(seen.change) - 1)
    names = [a.name for a in expectation.model.axes]
    tried = _explanations(seen, expectation, k, step, ratio)
    cost, verdict, like = min(tried, key=lambda t: t[0])
    limit = max(TOLERANCE, SURELY * u)
    off = abs(abs(ratio) - 1) > limit
    if verdict is AxisVerdict.WELL and off:
        others = [t for t in tried if t[1] is not AxisVerdict.WELL]
        cost, verdict, like = min(others, key=lambda t: t[0])
    if verdict is AxisVerdict.SCALE and not response.shows and abs(ratio) < 0.2:
        verdict = AxisVerdict.DEAD
    elif verdict is AxisVerdict.SCALE and not off:
        verdict = AxisVerdict.WELL
    cross = {}
    if verdict in (AxisVerdict.WELL, AxisVerdict.SCALE, AxisVerdict.REVERSED):
        cross = _cross(seen, expectation, k, step, ratio)
    exchanged = {names[j]: c for c, v, j in reversed(tried) if v is AxisVerdict.EXCHANGED}
    because = ""
    if limit > VAGUE:
        because = expectation.weakest(k, seen.places, step, weight @ own)
    return Judgement(verdict, cost, ratio, u, names[like], cross, exchanged, limit, because)


def pair_up(judged: Mapping[str, Judgement]) -> dict[str, Judgement]:
    """Return the judgements, two that are exchanged with each other counting as one fault."""
    out = dict(judged)
    for a, one in judged.items():
        for b, other in judged.items():
            both = (one.verdict, other.verdict)
            if a >= b or AxisVerdict.EXCHANGED not in both or both.count(AxisVerdict.WELL):
                continue
            costs = one.exchanged.get(b, math.inf), other.exchanged.get(a, math.inf)
            if sum(costs) - ACCUSED < one.cost + other.cost:
                for name, cost, like in ((a, costs[0], b), (b, costs[1], a)):
                    out[name] = replace(
                        judged[name], verdict=AxisVerdict.EXCHANGED, cost=cost - ACCUSED / 2,
                        like=like, cross={},
                    )  # fmt: skip
    return out


def _explanations(
    seen: _Seen, expectation: Expectation, k: int, step: float, ratio: float
) -> list[tuple[float, AxisVerdict, int]]:
    """Return every explanation: what it costs, the verdict, and the axis that it is like."""
    own, model = expectation.change(k, seen.places, step)
    change, noise = seen.change, seen.noise
    tried = [
        (_chi(change - own, noise + model), AxisVerdict.WELL, k),
        (_chi(change + own, noise + model) + ACCUSED, AxisVerdict.REVERSED, k),
        (_chi(change, noise) + ACCUSED, AxisVerdict.DEAD, k),
    ]
    if ratio > 0:
        scaled = _chi(change - ratio * own, noise + ratio**2 * model)
        tried.append((scaled + ACCUSED + FITTED, AxisVerdict.SCALE, k))
    for j in expectation.alike(k):
        other, spread = expectation.change(j, seen.places, step)
        for sign, dearer in ((1, 1.0), (-1, 1.5)):
            cost = _chi(change - sign * other, noise + spread) + dearer * ACCUSED
            tried.append((cost, AxisVerdict.EXCHANGED, j))
    tried.append((len(change) + 3 * ACCUSED, AxisVerdict.STRANGE, k))
    return tried


def _birge(chi: float, freedom: int) -> float:
    """How much wider an uncertainty must be where the scatter says so (R. T. Birge, Phys. Rev. 40,
    1932)."""
    return math.sqrt(max(chi / max(freedom, 1), 1.0))


def _cross(
    seen: _Seen, expectation: Expectation, k: int, step: float, ratio: float
) -> dict[str, tuple[float, float]]:
    """How much of the motion shows as other axes of the same part."""
    others = expectation.siblings(k)
    if not others:
        return {}
    own, model = expectation.change(k, seen.places, step)
    columns = [own, *(expectation.change(j, seen.places, step)[0] for j in others)]
    design = np.array(columns).T
    weight = np.linalg.inv(seen.noise + model)
    information = design.T @ weight @ design + np.diag([0.0] + [1.0] * len(others))
    covariance = np.linalg.inv(information)
    found = covariance @ (design.T @ weight @ seen.change)
    return {
        expectation.model.axes[j].name: (
            float(found[1 + i]) / max(abs(ratio), 1e-3),
            math.sqrt(covariance[1 + i, 1 + i]) / max(abs(ratio), 1e-3),
        )
        for i, j in enumerate(others)
    }


def _in_plane_axes(
    response: AxisResponse,
    planes: Sequence[str],
    cameras_as: Hypothesis,
    cameras: Mapping[str, Camera],
) -> _Seen:
    places: list[tuple[int, int]] = []
    changes: list[Floats] = []
    blocks: list[Floats] = []
    for plane in dict.fromkeys(name for name, m in response.rows if m >= 0):
        true = cameras_as.place(plane)
        if true not in planes:
            continue
        at = [i for i, (name, m) in enumerate(response.rows) if name == plane and m >= 0]
        moments = [response.rows[i][1] for i in at]
        full = np.zeros(5)
        full[moments] = response.change[at]
        matrix = to_true_plane(cameras_as, plane, cameras)
        turn = moment_map(matrix)[:5, :5]
        sigma = np.zeros(5)
        sigma[moments] = response.sigma[at]
        block = turn @ np.diag(sigma**2) @ turn.T
        places += [(planes.index(true), m) for m in moments]
        changes.append((turn @ full)[moments])
        blocks.append(block[np.ix_(moments, moments)])
    size = len(places)
    noise = np.zeros((size, size))
    start = 0
    for block in blocks:
        end = start + len(block)
        noise[start:end, start:end] = block
        start = end
    change = np.concatenate(changes) if changes else np.zeros(0)
    return _Seen(np.array(places, dtype=np.intp).reshape(-1, 2), change, noise)


def _chi(gap: Floats, covariance: Floats) -> float:
    return float(gap @ np.linalg.solve(covariance, gap))
