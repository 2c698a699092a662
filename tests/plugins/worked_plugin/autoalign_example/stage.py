"""A stage driver: axes that are at their target at once."""

from __future__ import annotations

from collections.abc import Sequence
from typing import Any

from pydantic import BaseModel, ConfigDict, Field

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import PortMissingError, unknown_name
from autoalign.core.interfaces import AxisStatus


class AxisSettings(BaseModel):
    """The driver's own keys of one axis."""

    model_config = ConfigDict(extra="forbid")

    channel: int


class Settings(BaseModel):
    """The driver's own keys of a stage."""

    model_config = ConfigDict(extra="forbid")

    port: str
    retries: int = Field(default=3, ge=0)
    axes: dict[str, AxisSettings] = {}


class ExampleStage:
    """Axes without hardware."""

    def __init__(self, name: str, axes: Sequence[Axis], port: str) -> None:
        self.name, self.port = name, port
        self.axes = {a.name: a for a in axes}
        self.closed = False
        self._positions = dict.fromkeys(self.axes, 0.0)

    def identity(self) -> str:
        """Return what it is."""
        return "example stage"

    def start_move(self, axis: str, target: float) -> None:
        """Be there."""
        self._known(axis).check(target)
        self._positions[axis] = target

    def status(self, axis: str) -> AxisStatus:
        """Return where it is."""
        return AxisStatus(self._positions[self._known(axis).name], moving=False)

    def stop(self) -> None:
        """Stand still, as always."""

    def close(self) -> None:
        """Let go."""
        self.closed = True

    def _known(self, axis: str) -> Axis:
        if axis not in self.axes:
            raise unknown_name("axis", axis, self.axes, self.name)
        return self.axes[axis]


class Driver:
    """Example stage without hardware."""

    settings = Settings

    def build(self, name: str, axes: Sequence[Axis], settings: Any, clock: Clock) -> ExampleStage:
        """Return the stage; a port called "missing" is missing."""
        if settings.port == "missing":
            raise PortMissingError(f"stage {name}: there is no port 'missing'.")
        return ExampleStage(name, axes, settings.port)


DRIVER = Driver()
