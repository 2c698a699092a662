"""A twin that is far from its bench: no warnings, no errors of the linear algebra, a plain word."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest
from autoalign_simulators import benches

from autoalign.core.errors import UsageError
from autoalign.model.predict import BenchModel
from autoalign.model.target import SpecForecast
from autoalign.optics.layout import Layout
from autoalign.run.align import align


def displaced(layout: Layout, by: float) -> Layout:
    """Return ``layout`` with every plane ``by`` mm farther away than it is."""
    return replace(
        layout, planes=tuple(replace(p, distance=p.distance + by) for p in layout.planes)
    )


@pytest.mark.slow
def test_a_layout_that_is_plainly_wrong_ends_in_words() -> None:
    """Planes 150 mm off (typed from the mirror instead of the focus): a verdict, no traceback."""
    bench = benches.relay(seed=0, pixels=256)
    bench.layout = displaced(bench.layout, 150.0)
    result = align(bench, strategy="model", budget=3)
    assert not result.in_spec
    assert result.reason


def test_a_place_without_light_has_no_forecast() -> None:
    """At an absurd angle no ray meets the mirror: infinite merit, and a named error."""
    bench = benches.collimator(seed=0, ideal=True, pixels=64)
    model = BenchModel(bench.layout, list(bench.axes.values()))
    foresight = SpecForecast(model, bench.spec)
    away = np.zeros(len(model.axes))
    away[[a.name for a in model.axes].index("mirror.tip")] = 1e4
    phi = np.zeros(model.size)
    assert foresight.merit(away, phi) == np.inf
    with pytest.raises(UsageError, match="expects no light"):
        foresight.at(away, phi)
