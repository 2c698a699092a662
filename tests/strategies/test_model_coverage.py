"""How surely the model knows the misalignment: its predicted 95 % regions against the truth.

The bench states its errors as large as its truth draws them. What it states by default (mirrors
with tolerances, parts that are mounted askew) is more than the simulated truth has, and covers it
always; that would test nothing.
"""

from __future__ import annotations

import logging
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt
import pytest
from autoalign_simulators import benches
from autoalign_simulators.collimator import START
from scipy.spatial.transform import Rotation
from scipy.stats import chi2

from autoalign.bench import Bench
from autoalign.diagnosis.estimator import Knowledge
from autoalign.optics.pose import Pose, place
from autoalign.run.compose import run
from autoalign.session import Budget, Session
from autoalign.strategies.model import Model

LOG = logging.getLogger("autoalign.campaign")

pytestmark = [pytest.mark.campaign, pytest.mark.timeout(3600)]

SEEDS = range(1000, 1200)
SPREAD = {axis: width / np.sqrt(3) for axis, width in START.items()}
"""Standard deviation of the misalignment. It is drawn from a normal distribution: a sum of which
little is seen keeps the shape of its prior, and an even one never reaches 1.96 deviations."""
EXACT = {
    "source.shift": 1e-3, "source.aim": 1e-3, "mirror.turn": 1e-5, "mirror.rho": 1e-7,
    "mirror.alpha": 1e-7, "wobble": 1e-8, "runout": 1e-5,
}  # fmt: skip
"""What the simulated truth does not get wrong."""
DRAWN = {"tilt": 5e-3, "mirror.shift": 0.05}
"""The truth's tilt of a screen; and how far pivots that are 15 mm off carry the mirror, mm: 0.11
across and 0.045 along the beam (rms of 200 seeds), of which the fit knows a part itself. 0.1 gave
98 % on the seeds 2000 to 2099, 0.05 gave 97 % on 2000 to 2199."""
WANTED = (*(("source", k) for k in (3, 4, 5)), *(("mirror", k) for k in (0, 1, 2)))
"""The misalignment: shifts of the source, mm, and turns of the mirror, rad, in their own frames."""

JOINT = float(chi2.ppf(0.95, len(WANTED)))
"""Squared distance within which 95 % of a normal distribution lie."""

Floats = npt.NDArray[np.float64]


@dataclass
class Belief:
    """Truth, most probable value (6,) and covariance (6, 6) after one look."""

    truth: Floats
    mean: Floats
    covariance: Floats

    @property
    def gap(self) -> Floats:
        """In standard uncertainties, each by itself."""
        return (self.truth - self.mean) / np.sqrt(np.diag(self.covariance))

    @property
    def distance(self) -> float:
        """Squared, in standard uncertainties, all together (Mahalanobis)."""
        off = self.truth - self.mean
        return float(off @ np.linalg.solve(self.covariance, off))


def make_bench(seed: int) -> Bench:
    """A bench whose file says what its truth is drawn from."""
    rng = np.random.default_rng([seed, 4711])
    bench = benches.collimator(
        seed=seed, hidden={a: float(rng.normal(0, s)) for a, s in SPREAD.items()}
    )
    offsets = {f"{a}.offset": s / bench.axes[a].travel for a, s in SPREAD.items()}
    return replace(bench, uncertainties={**bench.uncertainties, **offsets, **EXACT, **DRAWN})


def twist(nominal: Pose, pose: Pose) -> Floats:
    """Turn and shift (6,) of ``pose`` in the frame of ``nominal``."""
    away = nominal.inverse().compose(pose)
    return np.concatenate([Rotation.from_matrix(away.rotation).as_rotvec(), away.position])


class Watched(Model):
    """The model, keeping what it believes of the misalignment after every look."""

    def __init__(self, bench: Bench) -> None:
        super().__init__()
        assert bench.layout is not None
        self.bench, self.nominal = bench, place(bench.layout)
        self.beliefs: list[Belief] = []

    def keep(self, know: Knowledge, here: Floats) -> None:
        """Compare the posterior at ``here`` (axes,) with the truth of this moment."""
        poses = self.bench.truth.world.poses()
        truth = np.array([twist(self.nominal[part], poses[part])[k] for part, k in WANTED])
        self.beliefs.append(Belief(truth, *posterior(know, self.nominal, here)))


def posterior(know: Knowledge, nominal: dict[str, Pose], here: Floats) -> tuple[Floats, Floats]:
    """Most probable misalignment (6,), and its covariance (6, 6)."""
    assert know.fit is not None
    model, sigma = know.model, know.model.unknowns.sigma
    x, theta = (here - model._middle)[None], know.fit.phi * sigma
    mean, slopes = [], []
    for name, k in WANTED:
        part = next(p for p in model._parts if p.name == name)
        pose = model._pose(part, x, theta)
        stands = Pose(pose.rotation[0], pose.position[0])
        mean.append(twist(nominal[name], stands)[k])
        moves = model._displacements(part, pose, x, theta)[0]
        turned = nominal[name].rotation.T @ stands.rotation
        row = np.zeros(model.size)
        row[list(part.unknowns)] = moves[:, 3 * (k // 3) :][:, :3] @ turned[k % 3]
        slopes.append(row * sigma)
    root = np.array(slopes) @ know.fit.root
    return np.array(mean), root @ root.T


def beliefs_of(seed: int, monkeypatch: pytest.MonkeyPatch) -> list[Belief]:
    """Align one bench and return what was believed after each look."""
    bench = make_bench(seed)
    model = Watched(bench)
    learn = Knowledge.learn

    def watched(know: Knowledge, here: Floats, profiles: dict) -> bool:  # type: ignore[type-arg]
        learnt = learn(know, here, profiles)
        if learnt:
            model.keep(know, here)
        return learnt

    with monkeypatch.context() as patch:
        patch.setattr(Knowledge, "learn", watched)
        run(bench, Session.for_bench(bench, model, budget=Budget(40)))
    return model.beliefs


def coverage(beliefs: list[Belief]) -> tuple[Floats, float]:
    """How often the truth lies in each coordinate's 95 % interval (6,) and in the joint region."""
    inside = np.array([np.abs(b.gap) < 1.96 for b in beliefs])
    return inside.mean(axis=0), float(np.mean([b.distance < JOINT for b in beliefs]))


def test_predicted_regions_cover_the_misalignment(monkeypatch: pytest.MonkeyPatch) -> None:
    """Joint 95 % regions, over all looks, hold the truth in 90 to 98 %; no coordinate is overrated.

    What is believed after the last look alone is a little too cautious (logged, not held here): the
    looks tell more of the mirror's pivots than one prior of its shift along all axes allows for.
    """
    every = [beliefs_of(seed, monkeypatch) for seed in SEEDS]
    for when, some in (
        ("first look", [b[0] for b in every]),
        ("last look", [b[-1] for b in every]),
        ("all looks", [belief for b in every for belief in b]),
    ):
        each, joint = coverage(some)
        LOG.info("%s: each %s, pooled %.3f, joint %.3f", when, each, each.mean(), joint)
        assert each.min() >= 0.90
        assert joint >= 0.90
    assert joint <= 0.98
