"""Thin wrappers: plain functions, and positioners and parameters of lab-control frameworks.

Nothing here imports a framework: its objects are recognised by what they can do.
"""

from __future__ import annotations

from autoalign.adapters.functions import AxisFunctions, FunctionDetector, FunctionStage
from autoalign.adapters.objects import from_parameter, from_positioner

__all__ = [
    "AxisFunctions",
    "FunctionDetector",
    "FunctionStage",
    "from_parameter",
    "from_positioner",
]
