"""What a bench file says to a table-driven line-ASCII driver so that it can talk to a Mover."""

from __future__ import annotations

import re
from collections.abc import Mapping
from typing import Any

from autoalign_simulators.controllers.mover import Mover

__all__ = ["driver_settings"]


def driver_settings(
    mover: Mover, port: str, units: Mapping[str, str], *, tagged: bool = True
) -> dict[str, Any]:
    """Return the driver's table as plain data, ready for a bench file.

    Parameters
    ----------
    mover
        The controller; its line ends, echo and identity are taken over.
    port
        What the driver opens.
    units
        Inner unit ("mm" or "rad") of each axis by name, in the order of the controller's motors.
    tagged
        Whether commands carry a tag, by which a late answer is distinguished from the right one.
    """
    tag, mark = ("#{tag} ", r"#(?P<tag>[0-9]+) ") if tagged else ("", "")
    number = r"(?P<counts>[+-][0-9]{8})"
    axes = {
        name: {"channel": str(i + 1), "unit": unit, "per_count": mover.motors[i].traits.step}
        for i, (name, unit) in enumerate(units.items())
    }
    table = {
        "identity": ("who", f"(?P<identity>{re.escape(mover.identity)})"),
        "move": ("go {axis} {counts}", rf"go (?P<axis>[0-9]+) {number}"),
        "position": ("at {axis}", rf"at (?P<axis>[0-9]+) {number}"),
        "state": ("is {axis}", r"is (?P<axis>[0-9]+) (?P<state>[a-z]+) (?P<homed>[a-z]+)"),
        "stop": ("halt", "halt"),
        "home": ("home {axis}", "home (?P<axis>[0-9]+)"),
    }
    return {
        "port": port,
        "command_end": mover.command_end.decode("ascii"),
        "reply_end": mover.reply_end.decode("ascii"),
        "echo": mover.echo,
        **{
            key: {"send": tag + send, "reply": mark + reply} for key, (send, reply) in table.items()
        },
        "resting": ["resting", "faulty"],
        "moving": ["moving"],
        "faulty": ["faulty"],
        "homed": ["homed"],
        "unhomed": ["unhomed"],
        "errors": [mark + r"no (?P<code>[0-9]) (?P<text>[a-z]+)", r"no [0-9] [a-z]+"],
        "alarms": ["!! .*"],
        "banners": [r"\*\* .*"],
        "axes": axes,
    }
