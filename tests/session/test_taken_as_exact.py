"""A bench that states no scale is told once that widths are only as good as its numbers."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.adapters import FunctionDetector
from autoalign.run.align import align
from autoalign.spec.terms import QuantityTerm, Spec


def with_camera(bench, **uncertainties):
    """Return ``bench`` with a camera that sees a beam 6.4 mm wide in the middle."""
    y, x = np.mgrid[:80, :80]
    beam = 900 * np.exp(-((x - 40) ** 2 + (y - 40) ** 2) / 512)
    rng = np.random.default_rng(4)

    def grab():
        return (beam + rng.normal(100, 3, beam.shape)).astype(np.uint16)

    camera = FunctionDetector("far", "far", grab, pitch=0.1, clock=bench.clock)
    spec = Spec((QuantityTerm("far.x", 5.0),))
    return replace(bench, detectors={"far": camera}, spec=spec, uncertainties=uncertainties)


def test_nothing_stated_is_remarked_once(make_bench):
    """In the result of a run that is in spec as well: the verdict rests on it."""
    result = align(with_camera(make_bench()))
    assert result.in_spec
    (remark,) = result.remarks
    assert "states no uncertainty of pixel pitch and plane distances" in remark
    assert "widths and divergences are only as good as these" in remark


@pytest.mark.parametrize("name", ["pitch", "far.pitch", "distance", "far.distance"])
def test_a_bench_that_states_something_is_not_told(make_bench, name):
    """Either of the two, for all planes or for one."""
    assert align(with_camera(make_bench(), **{name: 0.01})).remarks == ()


def test_a_bench_without_pictures_is_not_told(make_bench):
    """A meter has no pixels."""
    assert align(make_bench()).remarks == ()
