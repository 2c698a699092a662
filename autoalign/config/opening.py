"""Opens what a bench file describes: drivers on their ports, or a simulated world."""

from __future__ import annotations

from collections.abc import Iterator
from contextlib import ExitStack, contextmanager
from dataclasses import dataclass, field
from typing import TYPE_CHECKING, Any

from autoalign.bench import Bench
from autoalign.config.drivers import SIMULATED
from autoalign.config.screws import SimulatedScrews
from autoalign.config.simulating import simulated_world
from autoalign.config.tables import SimulationTable
from autoalign.core.clock import Clock, RealClock, ScaledClock, VirtualClock
from autoalign.core.errors import (
    DetectorError,
    LinkError,
    LinkTimeoutError,
    UsageError,
    unknown_name,
)
from autoalign.core.foreign import GuardedDetector, GuardedStage, foreign
from autoalign.core.interfaces import Detector, Simulation, Stage

if TYPE_CHECKING:
    from autoalign.config.benchfile import BenchFile

__all__ = ["OpenBench", "open_bench"]

LINK_SPEED = 10.0
"""How many times faster than life simulated time runs on a real link, unless the file says."""


@dataclass(slots=True)
class OpenBench(Bench):
    """A bench from a file: closing it lets go of the hardware, or ends the simulated world.

    ``ports`` gives what each stage was opened on, where the driver has a port; ``speed`` how many
    times faster than life simulated time runs on a real link, else None.
    """

    ports: dict[str, str] = field(default_factory=dict)
    speed: float | None = None
    resources: ExitStack = field(default_factory=ExitStack)

    def close(self) -> None:
        """Let go of everything, also where one device fails to close; may be called twice."""
        self.resources.close()


def open_bench(file: BenchFile, *, stages: bool = True, detectors: bool = True) -> OpenBench:
    """Open every stage and detector of ``file``; after a failure nothing stays open."""
    with ExitStack() as stack:
        simulation = _simulation(file, stack)
        clock: Clock = simulation.clock if simulation is not None else RealClock()
        ports: dict[str, str] = {}
        moving: dict[str, Stage] = {}
        for name in file.tables.stages if stages else ():
            moving[name] = _stage(file, name, simulation, clock, ports)
            stack.callback(moving[name].close)
        seeing: dict[str, Detector] = {}
        for name in file.tables.detectors if detectors else ():
            seeing[name] = _detector(file, name, simulation, clock)
            stack.callback(seeing[name].close)
        tables = file.tables
        return OpenBench(
            name=tables.bench.name,
            stages=moving,
            detectors=seeing,
            spec=file.spec,
            layout=file.layout,
            locked=tuple(tables.bench.locked) if stages else (),
            clock=clock,
            settle=tables.bench.settle,
            frames=tables.bench.frames,
            uncertainties={k: q.value for k, q in tables.uncertainties.items()},
            truth=simulation.truth if simulation is not None else None,
            planes=dict(tables.planes),
            ports=ports,
            speed=_speed(tables.simulation),
            resources=stack.pop_all(),
        )


@contextmanager
def open_talk(file: BenchFile, device: str) -> Iterator[Any]:
    """Open the port of ``device`` of ``file`` for a conversation by hand."""
    stages, detectors = file.fitted.stages, file.fitted.detectors
    if device not in stages and device not in detectors:
        raise unknown_name("device", device, [*stages, *detectors], file.source)
    driver, settings = stages[device] if device in stages else detectors[device]
    talk = getattr(driver, "talk", None)
    if talk is None:
        raise UsageError(f"{file.source}: {device} has no line that a person could talk on.")
    with ExitStack() as stack:
        simulation = _simulation(file, stack)
        clock: Clock = simulation.clock if simulation is not None else RealClock()
        if simulation is not None and settings.port == SIMULATED:
            link = file.tables.simulation.link if file.tables.simulation is not None else "direct"
            port = simulation.serve(device, "loop" if link == "direct" else link)
            settings = settings.model_copy(update={"port": port})
        who = f"device {device!r}"
        with foreign(who, LinkTimeoutError, LinkError):
            where = file.axes[device] if device in stages else file.tables.detectors[device].plane
            line = talk(device, where, settings, clock)
        stack.callback(line.close)
        yield line


def _simulation(file: BenchFile, stack: ExitStack) -> Simulation | None:
    table = file.tables.simulation
    if table is None:
        return None
    speed = _speed(table)
    clock = ScaledClock(speed) if speed is not None else VirtualClock()
    simulation = simulated_world(file, table, clock)
    stack.callback(simulation.close)
    return simulation


def _speed(table: SimulationTable | None) -> float | None:
    """Return the speed of simulated time where it passes by itself: on a real link."""
    if table is None or table.link not in ("pty", "tcp"):
        return None
    return table.speed or LINK_SPEED


def _stage(
    file: BenchFile,
    name: str,
    simulation: Simulation | None,
    clock: Clock,
    ports: dict[str, str],
) -> Stage:
    driver, settings = file.fitted.stages[name]
    port = getattr(settings, "port", None)
    if simulation is not None and file.tables.simulation is not None and port == SIMULATED:
        link = file.tables.simulation.link
        if name not in simulation.stages:
            raise unknown_name("stage", name, simulation.stages, f"{file.source}, simulation")
        if link == "direct":
            return GuardedStage(_same_axes(file, name, simulation.stages[name]), SIMULATED)
        port = simulation.serve(name, link)
        settings = settings.model_copy(update={"port": port})
    if isinstance(port, str):
        ports[name] = port
    used = file.tables.stages[name].driver
    with foreign(f"stage {name!r}: its driver {used!r}", LinkTimeoutError, LinkError):
        built: Stage = driver.build(name, file.axes[name], settings, clock)
    stage = GuardedStage(built, used)
    if simulation is not None and any(axis.by_hand for axis in stage.axes.values()):
        if name not in simulation.stages:
            raise unknown_name("stage", name, simulation.stages, f"{file.source}, simulation")
        _same_axes(file, name, simulation.stages[name])
        return SimulatedScrews(stage, simulation.stages[name], clock)
    return stage


def _same_axes(file: BenchFile, name: str, stage: Stage) -> Stage:
    given, simulated = {a.name for a in file.axes[name]}, set(stage.axes)
    if given != simulated:
        raise UsageError(
            f"{file.source}: stage {name} has the axes {', '.join(sorted(given))}; the simulated "
            f"one has {', '.join(sorted(simulated))}. Name the same ones."
        )
    return stage


def _detector(file: BenchFile, name: str, simulation: Simulation | None, clock: Clock) -> Detector:
    table = file.tables.detectors[name]
    if table.driver == SIMULATED and simulation is not None:
        if name not in simulation.detectors:
            raise unknown_name("detector", name, simulation.detectors, f"{file.source}, simulation")
        return GuardedDetector(simulation.detectors[name], SIMULATED)
    driver, settings = file.fitted.detectors[name]
    with foreign(f"detector {name!r}: its driver {table.driver!r}", DetectorError, LinkError):
        built: Detector = driver.build(name, table.plane, settings, clock)
    return GuardedDetector(built, table.driver)
