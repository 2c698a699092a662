"""Simulated stages, reached directly: no link, no command set."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from types import MappingProxyType

from autoalign.core.axes import Axis
from autoalign.core.errors import HardwareError, UsageError, unknown_name
from autoalign.core.interfaces import AxisStatus
from autoalign_simulators.motors import Motor

__all__ = ["SimulatedStage"]


class SimulatedStage:
    """A controller whose motors are simulated; see :class:`autoalign.core.interfaces.Stage`.

    Parameters
    ----------
    name
        Name of the controller on this bench.
    axes
        Its axes; each needs a motor of the same name.
    motors
        Motors by axis name.
    serial
        What tells this controller from others of its kind.
    """

    def __init__(
        self, name: str, axes: Sequence[Axis], motors: Mapping[str, Motor], serial: str = "0"
    ) -> None:
        missing = [a.name for a in axes if a.name not in motors]
        if missing:
            raise UsageError(f"simulated stage {name}: no motor for {', '.join(missing)}.")
        self._name = name
        self._axes = MappingProxyType({a.name: a for a in axes})
        self._motors = MappingProxyType({a.name: motors[a.name] for a in axes})
        self._serial = serial
        self._closed = False

    def __repr__(self) -> str:
        return f"SimulatedStage({self._name!r}, {list(self._axes)})"

    @property
    def name(self) -> str:
        """Name of the controller on this bench."""
        return self._name

    @property
    def axes(self) -> Mapping[str, Axis]:
        """The axes by name."""
        return self._axes

    @property
    def motors(self) -> Mapping[str, Motor]:
        """The motors by axis name: the hardware behind the controller."""
        return self._motors

    def identity(self) -> str:
        """Return maker, model and serial number of an invented controller."""
        return f"simulated stage controller, {len(self._axes)} axes, serial {self._serial}"

    def start_move(self, axis: str, target: float) -> None:
        """Set ``axis`` going to ``target``, mm or rad.

        Raises
        ------
        TravelLimitError
            For a target outside the soft limits; nothing moves.
        MotionFaultError
            Where the motor reports a fault.
        HardwareError
            After :meth:`close`.
        """
        motor = self._motor(axis)
        if self._closed:
            raise HardwareError(f"stage {self._name}: closed; open the bench again to move {axis}.")
        self._axes[axis].check(target)
        motor.start(target)

    def status(self, axis: str) -> AxisStatus:
        """Return a fresh status of ``axis``."""
        motor = self._motor(axis)
        return AxisStatus(motor.position, motor.moving, motor.homed, motor.fault)

    def stop(self) -> None:
        """Brake every motor to standstill."""
        for motor in self._motors.values():
            motor.stop()

    def close(self) -> None:
        """Stop what moves and accept no more orders."""
        if not self._closed:
            self.stop()
        self._closed = True

    def _motor(self, axis: str) -> Motor:
        try:
            return self._motors[axis]
        except KeyError:
            raise unknown_name("axis", axis, self._motors, f"stage {self._name}") from None
