"""The wiring check: every axis alone, in tiny steps, against what the model expects of it."""

from __future__ import annotations

from autoalign.check.result import AxisReport, CheckResult, PlaneReport
from autoalign.check.run import check_bench

__all__ = ["AxisReport", "CheckResult", "PlaneReport", "check_bench"]
