"""What a simulated bench gets wrong, each with its own switch."""

from __future__ import annotations

from dataclasses import dataclass, fields, replace
from typing import Any

from autoalign.core.errors import unknown_name

__all__ = ["Effects"]


@dataclass(frozen=True, slots=True)
class Effects:
    """Switches of the truth; all on is an everyday bench, all off an ideal one.

    Parameters
    ----------
    misaligned
        The start is drawn within the family's ranges; off: everything starts aligned.
    backlash, scale, resolution
        Of the stages; without ``resolution`` a count is a ten-thousandth of the usual one.
    creep
        A thousandth of every move comes after it has ended.
    inertia
        Open-loop inertia drives, whose backward steps are 5 to 30 % larger or smaller than their
        forward ones; off unless asked for.
    axes
        Motions are off in direction, pivot and by cross-talk.
    screens
        Tilt, roll, mark, distance and pixel pitch of the screens are off.
    figure, blemishes
        Of the mirrors. Blemishes are off unless asked for.
    glow
        The source emits unevenly and off its axis.
    noise
        Of the cameras, with fixed pattern and hot pixels.
    stray
        Room light and scatter.
    ghost
        A window's ghost; off unless asked for.
    """

    misaligned: bool = True
    backlash: bool = True
    scale: bool = True
    resolution: bool = True
    creep: bool = True
    inertia: bool = False
    axes: bool = True
    screens: bool = True
    figure: bool = True
    glow: bool = True
    noise: bool = True
    stray: bool = True
    blemishes: bool = False
    ghost: bool = False

    @classmethod
    def of(cls, ideal: bool, switches: dict[str, Any]) -> Effects:
        """Return everyday or ideal effects with ``switches`` by name.

        Raises
        ------
        UnknownNameError
            For a switch that does not exist.
        """
        names = [f.name for f in fields(cls)]
        for name in switches:
            if name not in names:
                raise unknown_name("effect", name, names, "simulated bench")
        base = cls(**dict.fromkeys(names, False)) if ideal else cls()
        return replace(base, **{k: bool(v) for k, v in switches.items()})
