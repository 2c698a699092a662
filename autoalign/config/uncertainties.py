"""The [uncertainties] table: how well each nominal value is known, as standard uncertainties."""

from __future__ import annotations

from autoalign.config.problems import Problems
from autoalign.config.tables import BenchTables
from autoalign.core.errors import unknown_name
from autoalign.core.units import kind_name

__all__ = ["KINDS", "check_uncertainties"]

KINDS = {
    "scale": "1", "direction": "rad", "pivot": "mm", "offset": "1", "held_shift": "mm",
    "held_turn": "rad", "shift": "mm", "turn": "rad", "aim": "rad", "distance": "1", "mark": "mm",
    "tilt": "rad", "roll": "rad", "pitch": "1", "squareness": "1", "width": "1", "na": "1",
    "uneven": "1", "rho": "1", "alpha": "rad", "drift_shift": "mm", "drift_turn": "rad",
    "drift_calibration": "1",
}  # fmt: skip
"""Inner unit of each name; see :data:`autoalign.model.unknowns.PRIORS` and
:data:`autoalign.model.calibration.DRIFT` for what they mean; "squareness" is that of a camera's
pitch along columns against that along rows."""


def check_uncertainties(tables: BenchTables, problems: Problems) -> None:
    """Note unknown names, values of the wrong kind, and values that are not larger than 0."""
    things = [
        *tables.planes, "source", "mirror", "first", "second", "steering",
        *(axis for stage in tables.stages.values() for axis in stage.axes),
    ]  # fmt: skip
    for name, given in tables.uncertainties.items():
        thing, _, what = name.rpartition(".")
        path = ("uncertainties", name)
        if what not in KINDS:
            problems.add(path, str(unknown_name("uncertainty", what, KINDS)))
        elif given.unit != KINDS[what]:
            text = f"{what} is {kind_name(KINDS[what])}; {given.text} is {kind_name(given.unit)}"
            problems.add(path, text)
        elif not given.value > 0:
            problems.add(path, f"{given.text} is not allowed; it must be larger than 0")
        if thing and thing not in things:
            problems.add(path, str(unknown_name("part, plane or axis", thing, things)))
