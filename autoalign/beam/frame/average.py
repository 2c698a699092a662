"""Several frames of one plane: their mean, and what their scatter says of its uncertainty."""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import replace

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile, Flag, Tails, Use
from autoalign.core.errors import UsageError

__all__ = ["average"]

Floats = npt.NDArray[np.float64]

MANY = 20
"""Frames from which the scatter tells correlations between nine moments."""


def average(profiles: Sequence[BeamProfile]) -> BeamProfile:
    """Return the mean of ``profiles``, frames of one plane at one place.

    What flags may have done to the moments is the same in every frame, and stays; so does what is
    stated and does not show as scatter, such as speckle that stands still. The rest of the
    covariance is the mean one over n (type B) plus what the scatter of the frames (type A, GUM,
    JCGM 100) shows beyond it. So vibration and drift count, and a few frames that happen to agree
    do not make the mean appear better than its pixels allow. The excess is widened by
    (n − 1)/(n − 3), the variance of Student's t, and correlated between the moments from
    :data:`MANY` frames on.

    Frames good for less than the best of them are left out; flags of those that count stay.

    Raises
    ------
    UsageError
        Without profiles, or with profiles of different planes.
    """
    if not profiles:
        raise UsageError("average: no profiles given.")
    planes = sorted({p.plane for p in profiles})
    if len(planes) > 1:
        raise UsageError(f"average: profiles of different planes: {', '.join(planes)}.")
    order = list(Use)
    best = min((p.use for p in profiles), key=order.index)
    kept = [p for p in profiles if p.use is best]
    if len(kept) == 1 or best is Use.NOTHING:
        return kept[0]
    count = len(kept)
    moments = np.stack([p.moments for p in kept])
    stated = np.mean([p.repeatable.covariance for p in kept], axis=0)
    powers = np.array([p.power for p in kept])
    u_power = float(np.mean([p.power_uncertainty**2 for p in kept]))
    excess_power = max(float(powers.var(ddof=1)) - _doubt(count) * u_power, 0.0)
    mean = replace(
        kept[0],
        moments=moments.mean(axis=0),
        covariance=(stated + _excess(moments, stated)) / count + _standing(moments, stated),
        power=float(powers.mean()),
        power_uncertainty=float(np.sqrt((u_power + excess_power) / count)),
        background=float(np.mean([p.background for p in kept])),
        noise=float(np.mean([p.noise for p in kept])),
        peak=float(np.mean([p.peak for p in kept])),
        flags={},
        tails=_mean_tails(kept),
    )
    return mean.flagged(_mean_flags(kept))


def _mean_flags(profiles: list[BeamProfile]) -> dict[str, Flag]:
    """Return every flag of any frame, with its mean shift; frames without it count as none."""
    found = {kind: flag for p in profiles for kind, flag in p.flags.items()}
    out = {}
    for kind, flag in found.items():
        shifts = [p.flags[kind].shift for p in profiles if kind in p.flags]
        each = np.array([s for s in shifts if s]).reshape(-1, 9)
        mean = tuple((each.sum(axis=0) / len(profiles)).tolist()) if len(each) else ()
        out[kind] = replace(flag, shift=mean)
    return out


def _standing(moments: Floats, stated: Floats) -> Floats:
    """Return what a mean does not reduce: the stated covariance that frames should show and do not.

    Only where the scatter of the first five moments is less than chance makes it (χ² of 5 (n − 1)
    degrees at −2.5 standard deviations, by E. B. Wilson and M. M. Hilferty, PNAS 17, 1931).
    """
    count = len(moments)
    expected = np.diag(stated)[:5]
    shown = float(np.mean(moments[:, :5].var(axis=0, ddof=1) / np.maximum(expected, 1e-300)))
    spread = 2 / (9 * 5 * (count - 1))
    if shown >= (1 - spread - 2.5 * math.sqrt(spread)) ** 3:
        return np.zeros_like(stated)
    return stated * (1 - shown) * (1 - 1 / count)


def _mean_tails(profiles: list[BeamProfile]) -> Tails | None:
    """Return the mean tails; their uncertainty is mostly the background's, and stays."""
    tails = [p.tails for p in profiles if p.tails is not None]
    if len(tails) < len(profiles):
        return None
    gain = np.mean([t.gain for t in tails], axis=0)
    return Tails(gain, np.mean([t.covariance for t in tails], axis=0))


def _doubt(count: int) -> float:
    """Return the ratio up to which a sample variance of ``count`` may exceed the true one."""
    return 1 + 2 * math.sqrt(2 / (count - 1))


def _excess(moments: Floats, stated: Floats) -> Floats:
    """Return the covariance of one frame that the scatter shows beyond the stated one."""
    count = len(moments)
    seen = np.cov(moments, rowvar=False)
    expected = np.diag(stated)
    variance = np.diag(seen)
    beyond = np.where(variance > _doubt(count) * expected, variance - expected, 0.0)
    if count > 3:
        beyond *= (count - 1) / (count - 3)
    scale = np.sqrt(beyond)
    if count < MANY:
        return np.diag(beyond)
    deviation = np.sqrt(np.maximum(variance, 1e-300))
    excess: Floats = seen / np.outer(deviation, deviation) * np.outer(scale, scale)
    return excess
