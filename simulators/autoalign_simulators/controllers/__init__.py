"""Simulated controllers: pure machines of bytes in and bytes out, before simulated motors."""

from autoalign_simulators.controllers.byte_mover import ByteMover
from autoalign_simulators.controllers.dialect import driver_settings
from autoalign_simulators.controllers.mover import Mover
from autoalign_simulators.controllers.odd_movers import HexMover, PromptMover
from autoalign_simulators.controllers.rs274_controller import Rs274Mover
from autoalign_simulators.controllers.scpi_meter import ScpiMeter
from autoalign_simulators.controllers.talker import LineTalker, Talker, WriteBlocked

__all__ = [
    "ByteMover",
    "HexMover",
    "LineTalker",
    "Mover",
    "PromptMover",
    "Rs274Mover",
    "ScpiMeter",
    "Talker",
    "WriteBlocked",
    "driver_settings",
]
