"""A plan as text and tables."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from autoalign.beam.standards.own_beam import OWN_DIVERGENCE, ellipticity_label
from autoalign.cli.numbers import listed_amounts, option_value
from autoalign.cli.output import print_pairs, print_table, print_text
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.core.units import (
    edge,
    edge_unit,
    fixed,
    given,
    number,
    percent,
    rounded,
    signed,
    to_edge,
)
from autoalign.messages.words import quantity, stated, term_label
from autoalign.optics.ideal import effective_size
from autoalign.optics.layout import NA_EDGE, Beam, Layout, Source, Vector
from autoalign.plan.planning import AxisPlan, OpticPlan, Plan, plan
from autoalign.plan.reach import COVERAGE, Field
from autoalign.spec.terms import Spec

__all__ = ["Surroundings", "make_plan", "print_plan"]

_FAR_OFF = 100.0
"""Largest placement uncertainty, mm: travel is calculated to first order."""

_TURNED_AWAY = 0.5
"""The same for angles, rad."""

_VIEW = "60 mm"
"""Field of view that is assumed by default."""

_SEED = 0
"""Seed of the tolerance table: the same bench gives the same plan."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """The cameras' fields of view and the placement by hand, as written.

    ``view`` is None if not given; ``pitches`` of the cameras by plane, mm, as far as known.
    """

    view: str | None
    placement: str
    pitches: Mapping[str, float] = field(default_factory=dict)

    @property
    def view_words(self) -> str:
        """The fields of view in words; if assumed, also in pixels."""
        if self.view is not None:
            return f"a field of view of {self.view} (--view)"
        pixels = ", ".join(
            f"{rounded(option_value('--view', _VIEW, 'mm') / pitch, 0)} pixels at {plane}"
            for plane, pitch in self.pitches.items()
        )
        stand = f" ({pixels}, with the pitch of the bench file)" if pixels else ""
        return f"an assumed field of view of {_VIEW}{stand}; give yours with --view"

    def fields(self) -> Field | dict[str, Field]:
        """Return the sides of the cameras' fields, mm: one pair for all, or by plane."""
        view = self.view or _VIEW
        if "=" not in view:
            return _sides("--view", view)
        fields: dict[str, Field] = {}
        for plane, _, size in (part.partition("=") for part in listed_amounts("--view", view)):
            name = plane.strip()
            if name in fields:
                raise UsageError(
                    f"--view {self.view!r}: plane {name!r} is given twice; give each plane once."
                )
            fields[name] = _sides(f"--view, plane {name!r},", size)
        return fields

    def uncertainties(self) -> tuple[float, float]:
        """Return the standard uncertainties of placement, mm and rad."""
        parts = listed_amounts("--placement", self.placement)
        if len(parts) != 2:
            raise UsageError(
                f"--placement {self.placement!r}: give a length and an angle, for instance "
                '"0.5 mm, 5 mrad".'
            )
        shift = option_value("--placement", parts[0], "mm")
        turn = option_value("--placement", parts[1], "rad", "5 mrad")
        if shift > _FAR_OFF or turn > _TURNED_AWAY:
            raise UsageError(
                f"--placement {self.placement!r}: must be at most {_FAR_OFF:g} mm and "
                f"{1e3 * _TURNED_AWAY:g} mrad; check the units, or place the parts more accurately "
                "first."
            )
        return shift, turn


def _sides(option: str, text: str) -> Field:
    """Read one side, or two with "x" between them, mm; the first may lack its unit."""
    first, cross, second = text.replace("×", "x").partition("x")
    if not cross:
        side = option_value(option, text, "mm")
        return side, side
    unit = second.strip().lstrip("0123456789.eE+- ")
    if first.strip().replace(".", "", 1).isdigit():
        first = f"{first.strip()} {unit}"
    return option_value(option, first, "mm"), option_value(option, second, "mm")


def make_plan(
    layout: Layout,
    spec: Spec,
    around: Surroundings,
    locked: Sequence[str] = (),
    known: Mapping[str, float] | None = None,
) -> Plan:
    """Plan ``layout`` for ``spec`` and its surroundings.

    The axes in ``locked`` are locked; ``known`` are stated uncertainties by name.
    """
    rng = np.random.default_rng(_SEED)
    fields, placement = around.fields(), around.uncertainties()
    try:
        return plan(
            layout, spec, rng, view=fields, placement=placement, locked=locked, uncertainties=known
        )
    except np.linalg.LinAlgError as error:
        raise UsageError(
            f"this bench cannot be planned ({error}): its lengths and angles differ by too many "
            "orders of magnitude; check their units."
        ) from None


def print_plan(
    made: Plan,
    layout: Layout,
    axes: Mapping[str, Axis],
    around: Surroundings,
    files: Mapping[str, Path | None],
) -> None:
    """Print the plan; if the bench's own ``axes`` are known, also whether they are sufficient.

    ``files`` that were written are listed at the end.
    """
    first = [f"{t[0].upper()}{t[1:]}." for t in map(str, made.unprovable)]
    first += made.permitted.sentences() if made.permitted is not None else ()
    for line in first:
        print_text(line)
        print_text()
    for optic in made.optics:
        print_text(f"Off-axis paraboloid: {optic.name}")
        print_pairs(_optic(optic))
        print_text()
    print_text(
        "Positions (mm; x in the plane of incidence, away from the parent's axis, y up, z along "
        "the beam; the origin is the centre of the first mirror)"
    )
    print_pairs(_places(made, layout))
    print_text()
    print_text("The aligned beam")
    print_pairs(_beam(made))
    print_text()
    _print_axes(made, axes, around)
    for title, lines in (
        (
            "Combinations of axes that the spec does not constrain",
            list(made.hidden),
        ),
        ("Combinations of axes that no detector shows", [c.words for c in made.unseen]),
        ("Recommendations", list(made.advice)),
    ):
        if lines:
            print_text(title)
            for line in lines:
                print_text(line, indent="  ")
            print_text()
    print_pairs([(name, str(path)) for name, path in files.items() if path is not None], indent="")


def _optic(optic: OpticPlan) -> list[tuple[str, str]]:
    return [
        ("parent focal length", f"{rounded(optic.parent_focal_length, 4)} mm"),
        ("reflected focal length", f"{rounded(optic.reflected_focal_length, 4)} mm"),
        ("off-axis angle", f"{rounded(optic.off_axis_angle_deg, 4)}°"),
        ("off-axis distance", f"{rounded(optic.off_axis_distance, 4)} mm"),
        ("sag at its centre", f"{rounded(optic.sag, 4)} mm above the parent's vertex"),
        (
            "clear aperture",
            f"{given(optic.clear_aperture)} mm, f/{rounded(optic.working_f_number, 2)}",
        ),
        ("centre", _point(optic.centre)),
        ("focus", _point(optic.focus)),
    ]


def _places(made: Plan, layout: Layout) -> list[tuple[str, str]]:
    heights = sorted(set(made.heights.values()))
    if len(heights) == 1:
        height = "source, mirrors and beam all at the same height, y = 0"
    else:
        height = ", ".join(f"{name} {fixed(y, 2)} mm" for name, y in made.heights.items())
    return [
        ("source at", _point(made.light_position)),
        ("direction of the light", _point(made.light_direction, 5)),
        *(
            (f"plane {p.name}", f"{given(p.distance)} mm after the last mirror")
            for p in layout.planes
        ),
        ("heights", height),
    ]


def _beam(made: Plan) -> list[tuple[str, str]]:
    return [
        ("light", _light(made.light)),
        *(
            (
                f"d_σ at {plane}",
                f"{rounded(x, 3)} mm sideways (x), {rounded(y, 3)} mm up/down (y)",
            )
            for plane, (x, y) in made.diameters.items()
        ),
        *_near_to_far(made),
        *(
            (ellipticity_label(plane), rounded(min(x, y) / max(x, y), 4))
            for plane, (x, y) in made.diameters.items()
            if max(x, y) > 0
        ),
        (
            OWN_DIVERGENCE,
            f"{quantity(made.source_divergence, 'rad')} full angle, {_cause(made.light)}"
            if made.source_divergence
            else "not known: the light is a beam",
        ),
        (
            "diffraction limit",
            f"{quantity(made.diffraction_divergence, 'rad')} full angle (M² = 1), for d_σ "
            f"{rounded(made.fill.width, 2)} mm on leaving {made.fill.element}",
        ),
    ]


def _cause(light: Source | Beam) -> str:
    """Return what gives the light a divergence of its own."""
    if isinstance(light, Source) and light.core_diameter < effective_size(light):
        return "that of a single mode: diffraction, counted once"
    return "from the source's size" if isinstance(light, Source) else "as stated of the beam"


def _near_to_far(made: Plan) -> list[tuple[str, str]]:
    """Return what the spec's terms of these names are on the aligned bench."""
    known = made.quantities
    if not {"divergence_xx", "divergence_yy", "astigmatism_0", "astigmatism_45"} <= set(known):
        return []
    growth = max((known["divergence_xx"], known["divergence_yy"]), key=abs)
    amount = math.hypot(known["astigmatism_0"], known["astigmatism_45"])
    return [
        (
            term_label("divergence"),
            f"{quantity(growth, 'rad')} growth of the width over the distance of the planes",
        ),
        (term_label("ellipticity"), rounded((1 - amount) / (1 + amount), 4)),
    ]


def _light(light: Source | Beam) -> str:
    colour = f"{given(to_edge(light.wavelength, 'nm'))} nm"
    if isinstance(light, Beam):
        edge_at = " at 1/e²" if light.profile == "gaussian" else ""
        return f"{colour}, a {light.profile} beam of {given(light.diameter)} mm{edge_at}"
    return (
        f"{colour}, core {given(light.core_diameter)} mm, {light.emission}, NA {given(light.na)} "
        f"(sine of the half-angle at {NA_EDGE[light.emission]})"
    )


def _print_axes(made: Plan, axes: Mapping[str, Axis], around: Surroundings) -> None:
    print_text("How each axis moves the spot (x sideways, y up)")
    planes = list(made.diameters)
    rows = [(_named(a), *(_shift(a, plane) for plane in planes)) for a in made.axes]
    print_table(("+1 of", *(f"at {plane}" for plane in planes)), rows)
    print_text()
    print_text(
        f"Requirements on each axis, for parts placed by hand to {around.placement} (standard "
        f"uncertainties, --placement) and {around.view_words}. The travel compensates "
        f"{COVERAGE:g} standard deviations of the placement"
        + (", without the locked axes." if any(a.locked for a in made.axes) else ".")
        + f" One step of the resolution uses up {percent(made.share)} of the tolerance of what it "
        "is set by."
    )
    header = ["axis", "resolution", "set by", "travel", "beam in view within"]
    rows = [_needs(a) for a in made.axes]
    if axes:
        header.append("this bench")
        rows = [
            (*row, _verdict(a, axes.get(a.name))) for row, a in zip(rows, made.axes, strict=True)
        ]
    print_table(header, rows)
    print_text()


def _shift(axis: AxisPlan, plane: str) -> str:
    unit = edge_unit(axis.unit)
    size = 1 / edge(1.0, axis.unit)
    x, y = (v * size for v in axis.moves[plane])
    return f"{_signed(x)}, {_signed(y)} mm per {unit}"


def _signed(value: float) -> str:
    return "0" if abs(value) < 5e-7 else fixed(value, 4)


def _needs(axis: AxisPlan) -> tuple[str, ...]:
    unit = axis.unit
    low, high = (signed(edge(v, unit)) for v in axis.capture)
    within = f"{low} … {high} {edge_unit(unit)}" if any(axis.capture) else "outside even if aligned"
    if axis.locked:
        return (_named(axis), "–", "–", "–", within)
    return (
        axis.name,
        f"≤ {number(edge(axis.resolution, unit), 2)} {edge_unit(unit)}",
        _quantity_label(axis.limited_by),
        f"≥ ± {number(edge(axis.travel, unit), 2)} {edge_unit(unit)}",
        within,
    )


_QUANTITIES = {
    "divergence_xx": "divergence, near to far, x",
    "divergence_yy": "divergence, near to far, y",
    "divergence_xy": "divergence, near to far, 45°",
    "astigmatism_0": "astigmatism 0°",
    "astigmatism_45": "astigmatism 45°",
}
"""Names of the quantities that the terms of the spec are made of."""


def _quantity_label(name: str) -> str:
    return _QUANTITIES.get(name) or term_label(name)


def _named(axis: AxisPlan) -> str:
    return f"{axis.name} (locked)" if axis.locked else axis.name


def _verdict(need: AxisPlan, axis: Axis | None) -> str:
    """Return whether an axis of the bench has the resolution and the travel."""
    if axis is None:
        return "no such axis"
    if need.locked:
        return "locked, not evaluated"
    short = []
    if axis.resolution > need.resolution:
        short.append(f"TOO COARSE: {stated(axis.resolution, axis.unit)}")
    reach = min(-axis.lower, axis.upper)
    if reach < need.travel:
        short.append(
            f"TOO SHORT: {stated(axis.lower, axis.unit)} … {stated(axis.upper, axis.unit)}"
        )
    return "; ".join(short) or "sufficient"


def _point(point: Vector, places: int = 3) -> str:
    named = zip("xyz", point, strict=True)
    return ", ".join(f"{n} {fixed(v, places)}" for n, v in named)
