"""What a simulated bench gets wrong, each with its own switch."""

from __future__ import annotations

from dataclasses import dataclass, field, fields, replace
from typing import Any

from autoalign.core.errors import unknown_name
from autoalign_simulators.ugly_light import UglyLight

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
    light
        What is wrong with the light and with how cameras take it: a name, names joined by "+", or
        an :class:`.UglyLight`; nothing unless asked for.
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
    light: UglyLight = field(default_factory=UglyLight)

    @classmethod
    def of(
        cls, ideal: bool, switches: dict[str, Any], light: UglyLight | str | None = None
    ) -> Effects:
        """Return everyday or ideal effects with ``switches`` by name, and ``light``.

        Raises
        ------
        UnknownNameError
            For a switch or a light that does not exist.
        """
        for name in switches:
            if name not in _SWITCHES:
                raise unknown_name("effect", name, _SWITCHES, "simulated bench")
        off: dict[str, Any] = dict.fromkeys(_SWITCHES, False)
        base = cls(**off) if ideal else cls()
        on: dict[str, Any] = {k: bool(v) for k, v in switches.items()}
        return replace(base, **on, light=UglyLight.of(light))


_SWITCHES = tuple(f.name for f in fields(Effects) if f.name != "light")
