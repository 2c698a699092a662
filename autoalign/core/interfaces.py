"""What the library asks of hardware. Drivers, simulators and adapters implement these protocols.

The life cycle of a stage: ``identity`` once, ``status`` as often as needed, ``start_move`` and then
``status`` until the axis is at its target and idle, ``stop`` at any time and from any thread,
``close`` at the end. A detector: ``acquire`` as often as needed, ``close`` at the end.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from typing import Any, Literal, Protocol, runtime_checkable

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.frames import Frame

__all__ = [
    "AxisStatus",
    "Detector",
    "DetectorDriver",
    "Evaluated",
    "Exposure",
    "Reading",
    "Simulation",
    "Stage",
    "StageDriver",
]


@dataclass(frozen=True, slots=True)
class AxisStatus:
    """What a controller says of one axis. ``position`` in the axis' unit (mm or rad)."""

    position: float
    moving: bool
    homed: bool = True
    fault: str = ""


@dataclass(frozen=True, slots=True)
class Reading:
    """Numbers instead of pixels, for instance from a power meter.

    ``values`` and their standard ``uncertainties`` by name, with ``units`` by name; ``started`` and
    ``ended`` on the bench's clock, s.
    """

    values: Mapping[str, float]
    uncertainties: Mapping[str, float] = field(default_factory=dict)
    units: Mapping[str, str] = field(default_factory=dict)
    plane: str = ""
    started: float | None = None
    ended: float | None = None

    def named(self, detector: str) -> dict[str, tuple[float, float]]:
        """Return value and uncertainty under the names that specs use, ``<detector>.<name>``.

        Detectors have unique names; a meter and a camera may share a plane.
        """
        return {
            f"{detector}.{name}": (value, self.uncertainties.get(name, 0.0))
            for name, value in self.values.items()
        }


@dataclass(frozen=True, slots=True, eq=False)
class Evaluated:
    """The moments of a frame that the detector has evaluated by itself; the pixels stay with it.

    Parameters
    ----------
    profile
        The :class:`autoalign.BeamProfile`, along columns and rows of the frame.
    pitch, origin, plane
        As of :class:`~autoalign.Frame`; ``pitch`` of columns and rows, mm.
    started, ended
        Begin and end of the exposure on the bench's clock, s.
    """

    profile: Any
    pitch: tuple[float, float]
    origin: tuple[float, float]
    plane: str = ""
    started: float | None = None
    ended: float | None = None


Exposure = Frame | Reading | Evaluated
"""What one acquisition of a detector yields."""


@runtime_checkable
class Stage(Protocol):
    """A controller with one or more axes."""

    @property
    def name(self) -> str:
        """Name of the controller on this bench."""
        ...

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        ...

    def identity(self) -> str:
        """Return what the controller says it is; the same hardware always says the same."""
        ...

    def start_move(self, axis: str, target: float) -> None:
        """Set ``axis`` going to ``target`` (mm or rad); return once accepted.

        Every move ends by itself, whatever happens to this process. The limits have been checked
        before; an implementation checks them once more.

        An axis that a person turns says so (:attr:`~.axes.Axis.by_hand`, False where a
        stage does not say): here the person is asked, and this returns when they have answered, or
        at once with a status that says moving until they have. No motor moves meanwhile.
        """
        ...

    def status(self, axis: str) -> AxisStatus:
        """Return a fresh status of ``axis``.

        A person may be asked for the reading of a hand-turned axis the first time, never later.
        """
        ...

    def stop(self) -> None:
        """Stop all axes now. May be called from any thread and at any time."""
        ...

    def close(self) -> None:
        """Stop what moves and let go of the hardware. May be called twice."""
        ...


@runtime_checkable
class Detector(Protocol):
    """Something that measures at a plane."""

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        ...

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        ...

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Exposure]:
        """Return ``count`` exposures, each begun at or after ``not_before``.

        Both times are on the bench's clock, s. Raises :class:`~autoalign.errors.DetectorError`
        where they have not come by ``deadline``.
        """
        ...

    def close(self) -> None:
        """Let go of the hardware. May be called twice."""
        ...


@runtime_checkable
class StageDriver(Protocol):
    """What a plug-in offers under the entry-point group ``autoalign.stages``."""

    @property
    def settings(self) -> type[Any]:
        """The pydantic model of the keys that a bench file gives to this driver."""
        ...

    def build(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> Stage:
        """Open the hardware; ``settings`` is an instance of :attr:`settings`."""
        ...


@runtime_checkable
class DetectorDriver(Protocol):
    """What a plug-in offers under the entry-point group ``autoalign.detectors``."""

    @property
    def settings(self) -> type[Any]:
        """The pydantic model of the keys that a bench file gives to this driver."""
        ...

    def build(self, name: str, plane: str, settings: Any, clock: Clock) -> Detector:
        """Open the hardware; ``settings`` is an instance of :attr:`settings`."""
        ...


@runtime_checkable
class Simulation(Protocol):
    """A whole simulated bench: what the group ``autoalign.simulations`` makes from a seed.

    The same hidden world is reached in two ways: directly through ``stages``, or over a link on
    which its simulated controllers speak their command set.

    One that also offers ``picture(detector, finer=1)``, the light on every pixel without noise, and
    the same from a render that many times finer along each side, has its error stated by
    ``autoalign benchmark``.
    """

    @property
    def clock(self) -> Clock:
        """The simulated world's time."""
        ...

    @property
    def stages(self) -> Mapping[str, Stage]:
        """The stages, without a link between."""
        ...

    @property
    def detectors(self) -> Mapping[str, Detector]:
        """The detectors by name."""
        ...

    @property
    def truth(self) -> Any:
        """The hidden truth, for tests and benchmarks alone."""
        ...

    def serve(self, stage: str, link: Literal["pty", "tcp", "loop"]) -> str:
        """Serve the controller of ``stage`` and return the port that a driver opens."""
        ...

    def close(self) -> None:
        """End every link."""
        ...
