"""Thin wrappers: plain functions, and positioners and parameters of lab-control frameworks.

Nothing here imports a framework: its objects are recognised by what they can do.
"""

from __future__ import annotations

from autoalign.adapters.functions import FunctionDetector, FunctionStage, Knob
from autoalign.adapters.objects import parameter_knob, positioner_knob

__all__ = ["FunctionDetector", "FunctionStage", "Knob", "parameter_knob", "positioner_knob"]
