"""Conformance suites that plug-in authors subclass; needs pytest."""

from autoalign.testing.detectors import DetectorConformance
from autoalign.testing.layouts import LayoutConformance
from autoalign.testing.simulations import SimulationConformance
from autoalign.testing.stages import StageConformance
from autoalign.testing.strategies import MadeUpBench, StrategyConformance
from autoalign.testing.terms import TermConformance

__all__ = [
    "DetectorConformance",
    "LayoutConformance",
    "MadeUpBench",
    "SimulationConformance",
    "StageConformance",
    "StrategyConformance",
    "TermConformance",
]
