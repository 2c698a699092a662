"""What a measurement would be, were the cameras hung or connected as a hypothesis has it.

Unlike a wrong wire of an axis, a wrong camera cannot be allowed for: the spec is judged by what the
cameras say, so that the beam would be called in spec where it is not. It can only be named.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping, Sequence
from typing import TypeVar

import numpy as np
import numpy.typing as npt

from autoalign.beam.tensors import moment_map
from autoalign.diagnosis.hypotheses import Hypothesis
from autoalign.model.fit import Readings, sizes

__all__ = ["Mend", "mends"]

Floats = npt.NDArray[np.float64]

T = TypeVar("T")

STRETCHES = (0.88, 0.94, 1.0, 1.06, 1.12)
"""Tried around the ratio of pixel pitches that the widths suggest, were two cameras exchanged."""


class Mend:
    """Makes of a measurement what it would be: readings go ``to`` other planes, through ``maps``.

    ``maps`` (2, 2) by the plane's true index; both by index of the plane.
    """

    def __init__(self, maps: Mapping[int, Floats], to: Mapping[int, int] | None = None) -> None:
        self._maps = {k: moment_map(m) for k, m in maps.items()}
        self._to = dict(to or {})

    def __call__(self, look: Readings) -> Readings:
        """Return the mended measurement."""
        moments, covariance = self._moved(look.moments), self._moved(look.covariance)
        for k, wide in self._maps.items():
            if k in moments:
                moments[k] = wide @ moments[k]
                covariance[k] = wide @ covariance[k] @ wide.T
        bounds = frozenset(self._to.get(k, k) for k in look.bounds)
        return Readings(look.positions, moments, covariance, self._moved(look.used), bounds)

    def _moved(self, table: Mapping[int, T]) -> dict[int, T]:
        return dict(sorted((self._to.get(k, k), v) for k, v in table.items()))


def mends(
    hypothesis: Hypothesis, planes: Sequence[str], first: Readings, expected: Floats
) -> Iterator[Mend]:
    """Yield how measurements are mended under ``hypothesis``; several if it leaves a number open.

    ``first`` look and the moments (planes, 9) that are ``expected`` there tell the ratio of the
    pitches of exchanged cameras, which a measurement does not contain.
    """
    if hypothesis.exchanged is None:
        yield Mend({planes.index(p): np.asarray(t) for p, t in hypothesis.turns.items()})
        return
    a, b = (planes.index(p) for p in hypothesis.exchanged)
    if a not in first.moments or b not in first.moments:
        return
    seen = sizes(first.moments[a])[0] / sizes(first.moments[b])[0]
    ratio = float(np.sqrt(seen * sizes(expected[a])[0] / sizes(expected[b])[0]))
    for stretch in STRETCHES:
        q = ratio * stretch
        for flip in (1.0, -1.0):  # the two may be seen from opposite sides
            side = np.diag([flip, 1.0])
            yield Mend({a: q * side, b: side / q}, {a: b, b: a})
