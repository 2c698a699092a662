"""Plans of benches with held axes: the free ones must make up for everything."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.plan.planning import Plan, plan
from autoalign.spec.terms import Spec

LAYOUT = collimator_layout(OffAxisParaboloid(101.6, 90, 25.4), 0.2, 0.22, 633e-6)
SPEC = Spec.collimation(source_divergence=0.2 / 101.6, waist=101.6)


def planned(*locked: str, draws: int = 1) -> Plan:
    """Return the plan with ``locked``."""
    return plan(LAYOUT, SPEC, np.random.default_rng(1), locked=locked, draws=draws)


def test_a_held_axis_counts_as_one_that_is_not_there() -> None:
    """Travel, combinations and the table are those of a layout that lacks the axis."""
    locked = planned("mirror.clocking", draws=20)
    kept = tuple(m for m in LAYOUT.motions if m.axis != "mirror.clocking")
    without = plan(
        dataclasses.replace(LAYOUT, motions=kept), SPEC, np.random.default_rng(1), draws=20
    )
    free = {a.name: a.travel for a in locked.axes if not a.locked}
    assert free == pytest.approx({a.name: a.travel for a in without.axes})
    assert [c.words for c in locked.invisible] == [c.words for c in without.invisible]
    assert locked.table == without.table
    assert locked.singular_values == pytest.approx(without.singular_values)
    assert free["source.y"] > 1.5 * {a.name: a.travel for a in planned().axes}["source.y"]


def test_what_the_free_axes_cannot_make_up_for_is_advice() -> None:
    """With the mirror held a turn of it stretches the beam for good; with all free nothing does."""
    assert not any("cannot make up" in line for line in planned().advice)
    advice = [line for line in planned("mirror").advice if "cannot make up" in line]
    assert len(advice) == 1
    assert "With mirror locked" in advice[0]


def test_held_axes_have_no_needs_among_the_facts() -> None:
    """A number that nobody must meet is not given."""
    facts = {a["name"]: a for a in planned("mirror.tip").facts()["axes"]}
    assert facts["mirror.tip"]["locked"] is True
    assert facts["mirror.tip"]["resolution (mrad)"] is None
    assert facts["mirror.tip"]["travel to either side (mrad)"] is None
    assert facts["mirror.tilt"]["travel to either side (mrad)"] > 0


def test_what_cannot_be_held_is_refused() -> None:
    """A name that the layout lacks, and holding everything."""
    with pytest.raises(UnknownNameError, match="Did you mean 'mirror\\.tip'"):
        planned("mirror.tipp")
    with pytest.raises(UsageError, match="every axis is locked"):
        planned("mirror", "source")
