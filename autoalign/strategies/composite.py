"""Bayesian optimisation of a composite function: the residuals are modelled, not their size.

R. Astudillo and P. I. Frazier, Bayesian Optimization of Composite Functions (ICML 2019): a Gaussian
process for each residual, and the expected improvement of the merit that they give together, by
drawing from them.
"""

from __future__ import annotations

from collections.abc import Generator
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.strategies.base import Measurement, Need, Problem, Strategy, Vector
from autoalign.strategies.gaussian_process import GaussianProcess, worth_keeping
from autoalign.strategies.recover import recover
from autoalign.strategies.scalar import ScaledBox

__all__ = ["Composite"]

Floats = npt.NDArray[np.float64]


@dataclass(slots=True)
class Composite(Strategy):
    """Composite Bayesian optimisation.

    Parameters
    ----------
    reach
        Of the first places about the start, in units of :attr:`Problem.scale`.
    kept
        How many of the best and latest measurements the model is made of.
    candidates, draws
        Places that are compared for each proposal, and draws at each.
    """

    reach: float = 2.0
    kept: int = 60
    candidates: int = 400
    draws: int = 64
    name: str = field(default="composite-bayesian", init=False)
    needs: frozenset[Need] = field(default=frozenset({Need.RESIDUALS}), init=False)

    def propose(self, problem: Problem) -> Generator[Vector, Measurement, None]:
        """Yield positions to measure at, without end once the beam can be judged."""
        seen = problem.first
        if not seen.ok:
            seen = yield from recover(problem, seen)
        if not seen.ok:
            return
        box, rng = ScaledBox(problem), problem.rng
        low, span = box.lower, box.upper - box.lower
        x, y = [(box.scaled(seen.positions) - low) / span], [_residuals(seen)]
        lengths = np.zeros(box.count + 1)
        while True:
            costs = [float(r @ r) for r in y]
            best = int(np.argmin(costs))
            if len(x) <= box.count:
                away = self.reach * rng.choice([-1.0, 1.0], box.count)
                place = np.clip(x[0] + (np.arange(box.count) == len(x) - 1) * away / span, 0, 1)
            else:
                keep = worth_keeping(costs, self.kept)
                process = GaussianProcess(
                    np.array(x)[keep], np.array(y)[keep], lengths, len(x) % 3 == 1
                )
                lengths = process.lengths
                place = self._best(process, x[best], float(np.sqrt(np.mean(y[best] ** 2))), rng)
            seen = yield box.real(low + place * span)
            if seen.ok:
                x.append((box.scaled(seen.positions) - low) / span)
                y.append(_residuals(seen))
            else:
                x.append(place)
                y.append(3 * y[best])

    def _best(
        self, process: GaussianProcess, best: Floats, merit: float, rng: np.random.Generator
    ) -> Floats:
        """Return the place of the largest expected improvement among candidates."""
        n, each = len(best), self.candidates // 4
        spread = [0.3, 0.05, 0.01]
        places = np.concatenate([
            rng.uniform(size=(each, n)),
            *(best + s * rng.standard_normal((each, n)) for s in spread),
        ])  # fmt: skip
        places = np.clip(places, 0, 1)
        chance = rng.standard_normal((self.draws, 1, process.at(best[None])[0].shape[1]))
        for _ in range(2):
            mean, deviation = process.at(places)
            drawn = np.sqrt(np.mean((mean + chance * deviation) ** 2, axis=-1))
            gain = np.maximum(merit - drawn, 0.0).mean(0)
            good = (
                places[np.argsort(gain)[-8:]]
                if gain.max() > 0
                else places[np.argsort(np.mean(mean**2, axis=-1))[:8]]
            )
            near = np.repeat(good, self.candidates // 8, axis=0)
            places = np.clip(near + 0.01 * rng.standard_normal(near.shape), 0, 1)
            places[: len(good)] = good
        mean, deviation = process.at(places)
        drawn = np.sqrt(np.mean((mean + chance * deviation) ** 2, axis=-1))
        gain = np.maximum(merit - drawn, 0.0).mean(0)
        pick = int(np.argmax(gain)) if gain.max() > 0 else int(np.argmin((mean**2).sum(-1)))
        return np.asarray(places[pick])


def _residuals(seen: Measurement) -> Floats:
    assert seen.verdict is not None
    return seen.verdict.residuals
