"""The [uncertainties] table: how well each nominal value is known, as standard uncertainties."""

from __future__ import annotations

from autoalign.config.problems import Problems, renamed
from autoalign.config.tables import BenchTables
from autoalign.core.errors import unknown_name
from autoalign.core.units import kind_name

__all__ = ["KINDS", "check_uncertainties"]

KINDS: dict[str, tuple[str, str]] = {
    "pitch": ("1", "Size of a pixel at its plane, relative."),
    "pixel_aspect": ("1", "Pixel aspect: width against height of a pixel, relative."),
    "roll": ("rad", "Rotation of a camera about the beam."),
    "fiducial": ("mm", "Fiducial: the zero of a screen or camera."),
    "distance": ("1", "Distance of a plane, relative."),
    "tilt": ("rad", "Tilt of a screen against the beam."),
    "width": ("1", "Beam widths as measured, relative (figure error, background)."),
    "scale": ("1", "True over commanded motion of an axis, relative."),
    "direction": ("rad", "Direction in which an axis moves."),
    "pivot": ("mm", "Position of an axis of rotation."),
    "offset": ("1", "Distance of an axis from its aligned position, relative to its travel."),
    "locked_shift": ("mm", "Distance of a locked axis from its aligned position, for a shift."),
    "locked_turn": ("rad", "The same for a locked axis that turns."),
    "shift": ("mm", "Position of a part as mounted."),
    "turn": ("rad", "Orientation of a part as mounted."),
    "aim": ("rad", "Direction in which the source emits."),
    "na": ("1", "Uneven emission of the source, the part that is round."),
    "uneven": ("1", "Uneven emission of the source, every other part."),
    "rho": ("1", "Reflected focal length of a mirror, relative."),
    "alpha": ("rad", "Off-axis angle of a mirror."),
    "drift_shift": ("mm", "Drift of positions between two alignments."),
    "drift_turn": ("rad", "Drift of orientations between two alignments."),
    "drift_calibration": ("1", "Drift of everything else, relative to its own uncertainty."),
}
"""Inner unit and meaning of each name."""


def check_uncertainties(tables: BenchTables, problems: Problems) -> None:
    """Note unknown names, values of the wrong kind, and values that are not larger than 0."""
    things = [
        *tables.planes, "source", "mirror", "first", "second", "steering",
        *(axis for stage in tables.stages.values() for axis in stage.axes),
    ]  # fmt: skip
    for name, given in tables.uncertainties.items():
        thing, _, what = name.rpartition(".")
        path = ("uncertainties", name)
        if new := renamed(what, KINDS):
            problems.add(path, f"this key is called {new!r} now; write {new} in its place")
        elif what not in KINDS:
            problems.add(path, str(unknown_name("uncertainty", what, KINDS)))
        elif given.unit != (wanted := KINDS[what][0]):
            text = f"{what} is {kind_name(wanted)}; {given.text} is {kind_name(given.unit)}"
            problems.add(path, text)
        elif not given.value > 0:
            problems.add(path, f"{given.text} is not allowed; it must be larger than 0")
        if thing and thing not in things:
            problems.add(path, str(unknown_name("part, plane or axis", thing, things)))
