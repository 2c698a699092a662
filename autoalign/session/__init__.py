"""One alignment from start to verdict; owns no I/O."""

from __future__ import annotations

from autoalign.session.actions import (
    Action,
    Budget,
    Exposed,
    Finish,
    Measure,
    Move,
    Moved,
    Outcome,
    Purpose,
    Refused,
    Status,
)
from autoalign.session.core import Session
from autoalign.session.evaluate import Evaluator, Recent
from autoalign.session.replay import Replayed
from autoalign.session.scan import Camera, Guide, Scan, ScanMeasurement, Waypoint
from autoalign.session.stepper import Stepper

__all__ = [
    "Action",
    "Budget",
    "Camera",
    "Evaluator",
    "Exposed",
    "Finish",
    "Guide",
    "Measure",
    "Move",
    "Moved",
    "Outcome",
    "Purpose",
    "Recent",
    "Refused",
    "Replayed",
    "Scan",
    "ScanMeasurement",
    "Session",
    "Status",
    "Stepper",
    "Waypoint",
]
