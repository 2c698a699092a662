"""One call from a bench to its plan; nothing is opened and nothing is moved."""

from __future__ import annotations

import numpy as np

from autoalign.bench import Bench
from autoalign.core.errors import MissingNeedError
from autoalign.plan.planning import Plan, plan
from autoalign.spec.terms import Spec

__all__ = ["plan_bench"]


def plan_bench(bench: Bench, spec: Spec | None = None, *, seed: int = 0) -> Plan:
    """Plan ``bench``: where parts go, what its axes need, what stays hidden, what to change.

    Parameters
    ----------
    bench
        What to plan; its layout, and what is locked on it.
    spec
        What the beam must meet; the bench's own where not given.
    seed
        Of the draws behind the tolerance table.

    Raises
    ------
    MissingNeedError
        For a bench without a layout, or without a spec.
    """
    wanted = spec or bench.spec
    if bench.layout is None or wanted is None:
        lacking = "layout" if bench.layout is None else "spec"
        raise MissingNeedError(f"plan of {bench.name}: the bench has no {lacking}; give one.")
    rng = np.random.default_rng(seed)
    known = bench.uncertainties
    return plan(bench.layout, wanted, rng, locked=bench.locked, uncertainties=known)
