"""Links: the same simulated controller on a pseudo-terminal, on TCP, or inside the process."""

from autoalign_simulators.links.faulty import Fault, FaultRates, FaultyLine
from autoalign_simulators.links.serve import Served, serve

__all__ = ["Fault", "FaultRates", "FaultyLine", "Served", "serve"]
