"""Automated motorised alignment of off-axis parabolic mirrors and other optical benches.

Everything public is here; each name is imported when it is first used, so that ``import autoalign``
is cheap. Inside the library lengths are mm, angles rad and times s.
"""

from __future__ import annotations

from importlib import import_module
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autoalign.beam import measure_beam
    from autoalign.beam.parameters import BeamParameters
    from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
    from autoalign.bench import Bench
    from autoalign.check import CheckResult, check_bench
    from autoalign.config import load_bench
    from autoalign.core.axes import Axis
    from autoalign.core.clock import Clock, RealClock, ScaledClock, VirtualClock
    from autoalign.core.errors import (
        AlignError,
        AmbiguousMoveError,
        BenchFileError,
        DetectorError,
        FrameError,
        HardwareError,
        HeldError,
        JournalError,
        LinkError,
        LinkTimeoutError,
        MissingExtraError,
        MissingNeedError,
        MotionError,
        MotionFaultError,
        MotionTimeoutError,
        PluginError,
        PortBusyError,
        PortMissingError,
        ReplyError,
        TravelBudgetError,
        TravelLimitError,
        UnknownNameError,
        UsageError,
        WrongDeviceError,
    )
    from autoalign.core.findings import Amount, Finding, Severity
    from autoalign.core.frames import Frame
    from autoalign.core.interfaces import (
        AxisStatus,
        Detector,
        DetectorDriver,
        Exposure,
        Reading,
        Simulation,
        Stage,
        StageDriver,
    )
    from autoalign.optics.layout import Layout, Motion, Plane, Source
    from autoalign.optics.paraboloid import OffAxisParaboloid
    from autoalign.optics.standard_layouts import (
        collimator_layout,
        focuser_layout,
        relay_layout,
        steering_layout,
    )
    from autoalign.pictures import Picture, find_pictures, read_pictures
    from autoalign.plan.planning import Plan
    from autoalign.run.align import AlignmentResult, align
    from autoalign.run.hooks import hookimpl
    from autoalign.run.measure_bench import measure_bench
    from autoalign.run.plan_bench import plan_bench
    from autoalign.session.actions import Budget
    from autoalign.spec.terms import (
        DivergenceTerm,
        EllipticityTerm,
        MeritTerm,
        PointingTerm,
        QuantityTerm,
        Spec,
        TermValue,
        Verdict,
    )
    from autoalign.strategies.base import Measurement, Need, Problem, Strategy

__all__ = [
    "AlignError",
    "AlignmentResult",
    "AmbiguousMoveError",
    "Amount",
    "Axis",
    "AxisStatus",
    "BeamParameters",
    "BeamProfile",
    "Bench",
    "BenchFileError",
    "Budget",
    "CheckResult",
    "Clock",
    "Detector",
    "DetectorDriver",
    "DetectorError",
    "DivergenceTerm",
    "EllipticityTerm",
    "Exposure",
    "Finding",
    "Flag",
    "FlagKind",
    "Frame",
    "FrameError",
    "HardwareError",
    "HeldError",
    "JournalError",
    "Layout",
    "LinkError",
    "LinkTimeoutError",
    "Measurement",
    "MeritTerm",
    "MissingExtraError",
    "MissingNeedError",
    "Motion",
    "MotionError",
    "MotionFaultError",
    "MotionTimeoutError",
    "Need",
    "OffAxisParaboloid",
    "Picture",
    "Plan",
    "Plane",
    "PluginError",
    "PointingTerm",
    "PortBusyError",
    "PortMissingError",
    "Problem",
    "QuantityTerm",
    "Reading",
    "RealClock",
    "ReplyError",
    "ScaledClock",
    "Severity",
    "Simulation",
    "Source",
    "Spec",
    "Stage",
    "StageDriver",
    "Strategy",
    "TermValue",
    "TravelBudgetError",
    "TravelLimitError",
    "UnknownNameError",
    "UsageError",
    "Use",
    "Verdict",
    "VirtualClock",
    "WrongDeviceError",
    "align",
    "check_bench",
    "collimator_layout",
    "find_pictures",
    "focuser_layout",
    "hookimpl",
    "load_bench",
    "measure_beam",
    "measure_bench",
    "plan_bench",
    "read_pictures",
    "relay_layout",
    "steering_layout",
]

__version__ = "0.1.0"

_HOMES = {
    "autoalign.check": ("CheckResult", "check_bench"),
    "autoalign.core.findings": ("Amount", "Finding", "Severity"),
    "autoalign.plan.planning": ("Plan",),
    "autoalign.run.measure_bench": ("measure_bench",),
    "autoalign.run.plan_bench": ("plan_bench",),
    "autoalign.optics.standard_layouts": (
        "collimator_layout",
        "focuser_layout",
        "relay_layout",
        "steering_layout",
    ),
    "autoalign.run.align": (
        "AlignmentResult",
        "align",
    ),
    "autoalign.core.axes": ("Axis",),
    "autoalign.beam": ("measure_beam",),
    "autoalign.beam.profile": (
        "BeamProfile",
        "Flag",
        "FlagKind",
        "Use",
    ),
    "autoalign.beam.parameters": ("BeamParameters",),
    "autoalign.bench": ("Bench",),
    "autoalign.core.clock": (
        "Clock",
        "RealClock",
        "ScaledClock",
        "VirtualClock",
    ),
    "autoalign.config": ("load_bench",),
    "autoalign.core.errors": (
        "AlignError",
        "AmbiguousMoveError",
        "BenchFileError",
        "DetectorError",
        "FrameError",
        "HardwareError",
        "HeldError",
        "JournalError",
        "LinkError",
        "LinkTimeoutError",
        "MissingExtraError",
        "MissingNeedError",
        "MotionError",
        "MotionFaultError",
        "MotionTimeoutError",
        "PluginError",
        "PortBusyError",
        "PortMissingError",
        "ReplyError",
        "TravelBudgetError",
        "TravelLimitError",
        "UnknownNameError",
        "UsageError",
        "WrongDeviceError",
    ),
    "autoalign.core.frames": ("Frame",),
    "autoalign.run.hooks": ("hookimpl",),
    "autoalign.core.interfaces": (
        "AxisStatus",
        "Detector",
        "DetectorDriver",
        "Exposure",
        "Reading",
        "Simulation",
        "Stage",
        "StageDriver",
    ),
    "autoalign.spec.terms": (
        "DivergenceTerm",
        "EllipticityTerm",
        "MeritTerm",
        "PointingTerm",
        "QuantityTerm",
        "Spec",
        "TermValue",
        "Verdict",
    ),
    "autoalign.optics.layout": (
        "Layout",
        "Motion",
        "Plane",
        "Source",
    ),
    "autoalign.optics.paraboloid": ("OffAxisParaboloid",),
    "autoalign.pictures": (
        "Picture",
        "find_pictures",
        "read_pictures",
    ),
    "autoalign.strategies.base": (
        "Need",
        "Measurement",
        "Problem",
        "Strategy",
    ),
    "autoalign.session.actions": ("Budget",),
}
_HOME = {name: module for module, names in _HOMES.items() for name in names}


def __getattr__(name: str) -> Any:
    module = _HOME.get(name)
    if module is None:
        raise AttributeError(f"module 'autoalign' has no attribute {name!r}")
    value = getattr(import_module(module), name)
    globals()[name] = value
    return value


def __dir__() -> list[str]:
    return sorted({*globals(), *__all__})
