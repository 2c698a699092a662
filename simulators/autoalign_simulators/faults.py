"""Faults of motion, light and cameras, each turned on by its name.

``inject(simulation, "stall", "source.x")`` makes it happen now, ``inject_at(simulation, 2.5, …)``
at its time; :data:`INJECTORS` lists them all.
Faults of the serial link are on the links (:mod:`autoalign_simulators.links`).
"""

from __future__ import annotations

from collections.abc import Callable, Mapping
from dataclasses import replace
from typing import Any

from autoalign.core.errors import unknown_name
from autoalign_simulators.blemishes import Blemishes, Post
from autoalign_simulators.camera import SimulatedCamera
from autoalign_simulators.motors import Motor
from autoalign_simulators.simulation import BenchSimulation

__all__ = ["INJECTORS", "inject", "inject_at"]

Injector = Callable[[BenchSimulation, str, float], None]


def inject(
    simulation: BenchSimulation, fault: str, where: str = "", size: float | None = None
) -> None:
    """Make ``fault`` happen now.

    Parameters
    ----------
    simulation
        The bench that it happens to.
    fault
        A name of :data:`INJECTORS`.
    where
        The axis or detector; nothing for the light.
    size
        How much, see :data:`INJECTORS`; None for its usual size.

    Raises
    ------
    UnknownNameError
        For a fault, an axis or a detector that does not exist.
    """
    if fault not in INJECTORS:
        raise unknown_name("fault", fault, INJECTORS, "simulated bench")
    injector, usual = INJECTORS[fault]
    injector(simulation, where, usual if size is None else size)


def inject_at(
    simulation: BenchSimulation, time: float, fault: str, where: str = "", size: float | None = None
) -> None:
    """Make ``fault`` happen at ``time`` on the simulation's clock, s; see :func:`inject`.

    Raises
    ------
    UnknownNameError
        For a fault that does not exist; for an axis or detector when the time comes.
    """
    if fault not in INJECTORS:
        raise unknown_name("fault", fault, INJECTORS, "simulated bench")
    simulation.clock.at(time, lambda: inject(simulation, fault, where, size))


def _motor(act: Callable[[Motor, float], Any]) -> Injector:
    def injector(simulation: BenchSimulation, where: str, size: float) -> None:
        if where not in simulation.motors:
            raise unknown_name("axis", where, simulation.motors, "fault")
        act(simulation.motors[where], size)

    return injector


def _camera(act: Callable[[SimulatedCamera, float], Any]) -> Injector:
    def injector(simulation: BenchSimulation, where: str, size: float) -> None:
        cameras = {n: d for n, d in simulation.detectors.items() if isinstance(d, SimulatedCamera)}
        if where not in cameras:
            raise unknown_name("camera", where, cameras, "fault")
        act(cameras[where], size)

    return injector


def _light(simulation: BenchSimulation, _where: str, size: float) -> None:
    simulation.truth.world.power = size


def _card(simulation: BenchSimulation, _where: str, size: float) -> None:
    """Put a card into the beam from one side, over this part of the first mirror's width."""
    train = simulation.truth.train
    first = train.layout.elements[0]
    marks, across = train.blemishes.get(first.name, Blemishes()), first.surface.clear_aperture
    post = Post(across * (1 - size), across) if size > 0 else None
    train.blemishes = {**train.blemishes, first.name: replace(marks, post=post)}


def _set(**values: Any) -> Callable[[Any, float], None]:
    def act(target: Any, size: float) -> None:
        for name, value in values.items():
            setattr(target, name, size if value is ... else value)

    return act


def _flaw(**values: Any) -> Callable[[SimulatedCamera, float], None]:
    act = _set(**values)
    return lambda camera, size: act(camera.faults, size)


def _stray(**values: Any) -> Callable[[SimulatedCamera, float], None]:
    act = _set(**values)
    return lambda camera, size: act(camera.stray, size)


INJECTORS: Mapping[str, tuple[Injector, float]] = {
    # motion: a motor by the name of its axis
    "stall": (_motor(lambda m, _: m.stall()), 0.0),
    "release": (_motor(lambda m, _: m.release()), 0.0),
    "slip": (_motor(lambda m, size: m.slip(size)), 0.05),
    "power-cut": (_motor(lambda m, _: m.power_cycle()), 0.0),
    "alarm": (_motor(_set(fault="alarm: following error")), 0.0),
    "alarm-cleared": (_motor(_set(fault="")), 0.0),
    "limit-switch": (_motor(_set(fault="limit switch")), 0.0),
    "deaf": (_motor(_set(deaf=True)), 0.0),
    "restless": (_motor(_set(restless=True)), 0.0),
    # light: size is what is left of its power
    "shutter": (_light, 0.0),
    "light-back": (_light, 1.0),
    "power-drop": (_light, 0.3),
    # something in the beam: size is how much of the first mirror's width it hides
    "card": (_card, 0.4),
    "card-away": (_card, 0.0),
    # cameras: by the name of the detector
    "saturate": (_camera(_flaw(overexpose=...)), 8.0),
    "dark-exposure": (_camera(_flaw(overexpose=...)), 1e-3),
    "frozen": (_camera(_flaw(frozen=True)), 0.0),
    "torn": (_camera(_flaw(torn=True)), 0.0),
    "silent": (_camera(_flaw(silent=True)), 0.0),
    "stale": (_camera(_flaw(stale=...)), 2.0),
    "room-light": (_camera(_stray(ambient=...)), 3e4),
    "second-spot": (_camera(_stray(ghost=...)), 0.3),
}
"""By name: what it does, and its usual size (mm or rad for a slip, s for a stale frame, electrons
per second for room light, a factor for exposure and power, a part of the beam for a ghost)."""
