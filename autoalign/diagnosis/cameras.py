"""Which camera may be hung or connected otherwise than the bench file says: suspicions to try.

Unlike a wrong wire of an axis, a wrong camera cannot be allowed for: the spec is judged by what the
cameras say, so that the beam would be called in spec where it is not. It can only be named.
"""

from __future__ import annotations

from collections.abc import Callable, Iterator, Sequence
from dataclasses import dataclass, replace
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from autoalign.model.fit import Look, sizes
from autoalign.model.predict import ORDERS

__all__ = ["CameraSuspect", "camera_suspects"]

Floats = npt.NDArray[np.float64]

T = TypeVar("T")
CROSSED = [ORDERS.index((j, i)) for i, j in ORDERS]
"""Where each moment is found once x and y are exchanged."""

WAYS = (
    ("mirrored left to right", False, (-1, 1)),
    ("mirrored top to bottom", False, (1, -1)),
    ("upside down", False, (-1, -1)),
    ("turned by 90°", True, (-1, 1)),
    ("turned by 90°", True, (1, -1)),
    ("mirrored about a diagonal", True, (1, 1)),
    ("mirrored about a diagonal", True, (-1, -1)),
)
"""How a camera may hang: in words, whether x and y are exchanged, and their signs after that."""

STRETCHES = (0.88, 0.94, 1.0, 1.06, 1.12)
"""Tried around the ratio of pixel pitches that the widths suggest, were two cameras exchanged."""


@dataclass(frozen=True, slots=True)
class CameraSuspect:
    """One thing that may be wrong, in ``words``, and how to ``mend`` a look if it is."""

    words: str
    mend: Callable[[Look], Look]


def camera_suspects(
    planes: Sequence[str], first: Look, expected: Floats
) -> Iterator[CameraSuspect]:
    """Yield cameras that may be mirrored or turned, one or all of them, and two exchanged ones.

    ``first`` look and the moments (planes, 9) that are ``expected`` there tell the ratio of the
    pitches of exchanged cameras.
    """
    for k, plane in enumerate(planes):
        for words, crossed, signs in WAYS:
            mend = _Scaled({k: signs}, frozenset({k}) if crossed else frozenset())
            yield CameraSuspect(f"the camera of plane {plane} is {words}", mend)
    if len(planes) > 1:
        every = range(len(planes))
        for words, crossed, signs in WAYS:
            mend = _Scaled(
                dict.fromkeys(every, signs), frozenset(every) if crossed else frozenset()
            )
            yield CameraSuspect(f"the cameras of planes {', '.join(planes)} are all {words}", mend)
    for a in range(len(planes)):
        for b in range(a + 1, len(planes)):
            if a in first.moments and b in first.moments:
                yield from _exchanged(planes, a, b, first, expected)


def _exchanged(
    planes: Sequence[str], a: int, b: int, first: Look, expected: Floats
) -> Iterator[CameraSuspect]:
    seen = sizes(first.moments[a])[0] / sizes(first.moments[b])[0]
    ratio = float(np.sqrt(seen * sizes(expected[a])[0] / sizes(expected[b])[0]))
    words = f"the cameras of planes {planes[a]} and {planes[b]} are exchanged"
    for stretch in STRETCHES:
        q = ratio * stretch
        for flip in (1, -1):
            scaled = _Scaled({a: (flip * q, q), b: (flip / q, 1 / q)})
            yield CameraSuspect(words, _Exchanged(a, b, scaled))


@dataclass(frozen=True, slots=True)
class _Scaled:
    """Exchanges x and y of the readings at planes ``crossed``, then multiplies by ``factors``."""

    factors: dict[int, tuple[float, float]]
    crossed: frozenset[int] = frozenset()

    def __call__(self, look: Look) -> Look:
        moments, covariance = dict(look.moments), dict(look.covariance)
        for k, (fx, fy) in self.factors.items():
            if k in moments:
                order = CROSSED if k in self.crossed else slice(None)
                scale = np.array([fx**i * fy**j for i, j in ORDERS])
                moments[k] = moments[k][order] * scale
                covariance[k] = covariance[k][order][:, order] * np.outer(scale, scale)
        return replace(look, moments=moments, covariance=covariance)


@dataclass(frozen=True, slots=True)
class _Exchanged:
    """Exchanges the readings of planes ``a`` and ``b``, then scales them."""

    a: int
    b: int
    scaled: _Scaled

    def __call__(self, look: Look) -> Look:
        other = {self.a: self.b, self.b: self.a}

        def turned(table: dict[int, T]) -> dict[int, T]:
            return {other.get(k, k): table[k] for k in sorted(table, key=lambda k: other.get(k, k))}

        moments, covariance = turned(look.moments), turned(look.covariance)
        bounds = frozenset(other.get(k, k) for k in look.bounds)
        return self.scaled(Look(look.positions, moments, covariance, turned(look.used), bounds))
