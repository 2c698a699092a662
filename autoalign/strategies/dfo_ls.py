"""Derivative-free least squares: DFO-LS (Cartis, Fiala, Marteau and Roberts, ACM TOMS 45, 2019)."""

from __future__ import annotations

import warnings
from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.core.foreign import require_extra
from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.bridge import Ask, as_generator
from autoalign.strategies.recover import recover
from autoalign.strategies.scalar import ScaledBox

__all__ = ["DfoLs"]

require_extra("strategy dfo-ls", "strategies", "dfols")


@dataclass(slots=True)
class DfoLs(Strategy):
    """Linear models of the residual vector in a trust region.

    Parameters
    ----------
    radius
        First trust radius in units of :attr:`Problem.scale`; halved at every restart.
    restarts
        New models about the best place so far.
    """

    radius: float = 1.0
    restarts: int = 3
    name: str = field(default="dfo-ls", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.RESIDUALS}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at."""
        seen = problem.first
        if not seen.ok:
            seen = yield from recover(problem, seen)
        if seen.ok:
            yield from as_generator(lambda ask: self._solve(problem, seen, ask))

    def _solve(self, problem: Problem, seen: Measurement, ask: Ask) -> None:
        import dfols  # noqa: PLC0415

        box = ScaledBox(problem)
        assert seen.verdict is not None
        best = box.scaled(seen.positions)
        last = seen.verdict.residuals

        def residuals(u: npt.NDArray[np.float64]) -> npt.NDArray[np.float64]:
            nonlocal last
            answer = ask(box.real(u))
            if answer.verdict is None:
                return 3 * last
            last = answer.verdict.residuals
            return last

        for k in range(1 + self.restarts):
            with warnings.catch_warnings():
                warnings.simplefilter("ignore", RuntimeWarning)
                found = dfols.solve(
                    residuals,
                    best,
                    bounds=(box.lower, box.upper),
                    rhobeg=self.radius / 2**k,
                    rhoend=1e-3,
                    maxfun=10_000,
                    objfun_has_noise=True,
                )
            if found.x is not None:
                best = np.clip(found.x, box.lower, box.upper)
