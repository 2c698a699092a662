"""One alignment from start to verdict; owns no I/O."""

from __future__ import annotations

from autoalign.session.actions import (
    Action,
    Budget,
    Finish,
    Look,
    Move,
    Moved,
    Outcome,
    Purpose,
    Refused,
    Seen,
    Status,
)
from autoalign.session.core import Session
from autoalign.session.replay import Recorded
from autoalign.session.scan import Camera, Guide, Sight, Tour, Visit
from autoalign.session.seeing import Eye, Recent
from autoalign.session.stepper import Stepper

__all__ = [
    "Action",
    "Budget",
    "Camera",
    "Eye",
    "Finish",
    "Guide",
    "Look",
    "Move",
    "Moved",
    "Outcome",
    "Purpose",
    "Recent",
    "Recorded",
    "Refused",
    "Seen",
    "Session",
    "Sight",
    "Status",
    "Stepper",
    "Tour",
    "Visit",
]
