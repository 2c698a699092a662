"""Fast mirrors far from alignment, where a step from the nominal bench goes astray."""

from __future__ import annotations

import pytest
from autoalign_simulators import benches

from autoalign.diagnosis.estimator import DOUBT, Knowledge
from autoalign.model.fit import fit, readings_from_profiles
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.run.compose import run
from autoalign.session import Budget, Session
from autoalign.strategies.model import Model


@pytest.mark.slow
@pytest.mark.parametrize(("angle", "seed"), [(90.0, 0), (120.0, 7), (120.0, 12)])
def test_one_look_is_explained_however_far_the_bench_is_off(angle: float, seed: int) -> None:
    """f/2, 1 mm off a focus of 60 mm: the plain fit ends in a false optimum, the bench's does not.

    With it goes the sign of the defocus, which decides where the next move ends.
    """
    layout = collimator_layout(OffAxisParaboloid(60.0, angle, 30.0), 0.1, 0.3, 660e-6)
    fields = {"near": 66.0, "far": 155.0}
    with benches.collimator(seed=seed, layout=layout, fields=fields) as bench:
        session = Session.for_bench(bench, Model(), budget=Budget(2))
        run(bench, session)
        first = session.first
        assert first is not None
        know = Knowledge(layout, session.free, bench.spec, bench.uncertainties)
        profiles = dict(first.profiles)
        look = readings_from_profiles(know.model.planes, first.positions, profiles)
        assert fit(know.model, [look]).excess > 10 * DOUBT
        know.learn(first.positions, profiles)
        assert know.fit is not None
        assert know.fit.excess < DOUBT
        z = know.fit.phi[know.model.unknowns.block("source.z", "offset").start]
        assert z * bench.truth.hidden["source.z"] > 0
