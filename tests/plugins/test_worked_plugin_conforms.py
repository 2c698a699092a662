"""What the worked plug-in offers passes the suites that its author would subclass."""

from __future__ import annotations

import pytest

from autoalign.config.bench_types import BenchType, bench_type
from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.interfaces import Detector, Stage
from autoalign.plugins import plugin
from autoalign.spec.terms import MeritTerm
from autoalign.testing import (
    DetectorConformance,
    LayoutConformance,
    StageConformance,
    TermConformance,
)

AXES = (Axis("source.x", "mm", -5.0, 5.0), Axis("mirror.tip", "rad", -0.02, 0.02))


@pytest.mark.usefixtures("worked_plugin")
class TestStage(StageConformance):
    """Axes that are at their targets at once."""

    immediate = True

    def make_stage(self) -> tuple[Stage, Clock]:
        """Return the stage of its driver."""
        driver, clock = plugin("stages", "example-stage"), VirtualClock()
        return driver.build("worked", AXES, driver.settings(port="A"), clock), clock


@pytest.mark.usefixtures("worked_plugin")
class TestCamera(DetectorConformance):
    """A camera that always sees the same spot."""

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return the camera of its driver."""
        driver, clock = plugin("detectors", "example-camera"), VirtualClock()
        return driver.build("worked", "far", driver.settings(), clock), clock


@pytest.mark.usefixtures("worked_plugin")
class TestTerm(TermConformance):
    """The power at a plane, against a target."""

    def make_term(self) -> MeritTerm:
        """Return it."""
        term: MeritTerm = plugin("terms", "example-brightness")("far", 0.1, weight=2.0)
        return term

    def ideal(self, term: MeritTerm) -> dict[str, float]:
        """Return the power that is wanted."""
        return {"far.power": 1.0}


@pytest.mark.usefixtures("worked_plugin")
class TestLayout(LayoutConformance):
    """A beam that one mirror folds."""

    optics = """
    [beam]
    diameter = "5 mm"
    wavelength = "660 nm"
    [arrangement]
    clear_aperture = "30 mm"
    [planes]
    near = "200 mm"
    far = "2 m"
    """

    def make_bench_type(self) -> BenchType:
        """Return it, as a bench file names it."""
        return bench_type("example-fold")
