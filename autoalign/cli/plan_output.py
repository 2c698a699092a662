"""A plan in words and tables."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from pathlib import Path

import numpy as np

from autoalign.cli.numbers import listed_amounts, option_value
from autoalign.cli.output import print_pairs, print_table, print_text
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.core.units import edge, edge_unit, to_edge
from autoalign.messages.words import number, stated
from autoalign.optics.layout import NA_EDGE, Beam, Layout, Source, Vector
from autoalign.plan.planning import AxisPlan, OpticPlan, Plan, plan
from autoalign.plan.reach import COVERAGE, Field
from autoalign.spec.terms import Spec

__all__ = ["Surroundings", "make_plan", "print_plan"]

_FAR_OFF = 100.0
"""Parts further off, mm, are not placed at all, and travel is calculated to first order."""

_TURNED_AWAY = 0.5
"""The same for angles, rad."""

_VIEW = "60 mm"
"""What a camera is taken to see where nobody says."""

_SEED = 0
"""Of the draws behind the tolerance table: the same plan for the same bench."""


@dataclass(frozen=True, slots=True)
class Surroundings:
    """What the cameras see at their planes, and how well parts are placed by hand, as written.

    ``view`` None where nobody said; ``pitches`` of the cameras by plane, mm, as far as known.
    """

    view: str | None
    placement: str
    pitches: Mapping[str, float] = field(default_factory=dict)

    @property
    def view_words(self) -> str:
        """What the cameras see, in words; where that is assumed, and in how many pixels."""
        if self.view is not None:
            return f"cameras that see {self.view} (--view)"
        pixels = ", ".join(
            f"{option_value('--view', _VIEW, 'mm') / pitch:.0f} pixels a side at {plane!r}"
            for plane, pitch in self.pitches.items()
        )
        stand = f" (with the file's pitch {pixels})" if pixels else ""
        return f"cameras assumed to see {_VIEW}{stand}; give yours with --view"

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
                f"--placement {self.placement!r}: a length and an angle are needed, for instance "
                '"0.5 mm, 5 mrad".'
            )
        shift = option_value("--placement", parts[0], "mm")
        turn = option_value("--placement", parts[1], "rad", "5 mrad")
        if shift > _FAR_OFF or turn > _TURNED_AWAY:
            raise UsageError(
                f"--placement {self.placement!r}: at the most {_FAR_OFF:g} mm and "
                f"{1e3 * _TURNED_AWAY:g} mrad can be planned for; place the parts better than "
                "that first, or check the units."
            )
        return shift, turn


def _sides(option: str, text: str) -> Field:
    """Read one side, or two with "x" between them, mm; the first may go without its unit."""
    first, cross, second = text.replace("×", "x").partition("x")
    if not cross:
        side = option_value(option, text, "mm")
        return side, side
    unit = second.strip().lstrip("0123456789.eE+- ")
    if first.strip().replace(".", "", 1).isdigit():
        first = f"{first.strip()} {unit}"
    return option_value(option, first, "mm"), option_value(option, second, "mm")


def make_plan(layout: Layout, spec: Spec, around: Surroundings, hold: Sequence[str] = ()) -> Plan:
    """Plan ``layout`` for ``spec``, with such cameras and such hands; ``hold`` never moves."""
    rng = np.random.default_rng(_SEED)
    fields, placement = around.fields(), around.uncertainties()
    try:
        return plan(layout, spec, rng, view=fields, placement=placement, hold=hold)
    except np.linalg.LinAlgError as error:
        raise UsageError(
            f"this bench cannot be planned ({error}): its lengths and angles lie too far apart to "
            "calculate with; check their units."
        ) from None


def print_plan(
    made: Plan,
    layout: Layout,
    axes: Mapping[str, Axis],
    around: Surroundings,
    files: Mapping[str, Path | None],
) -> None:
    """Print the plan; where the bench's own ``axes`` are known, say whether they are enough.

    ``files`` that were written are named at the end.
    """
    for optic in made.optics:
        print_text(f"Off-axis paraboloid {optic.name!r}")
        print_pairs(_optic(optic))
        print_text()
    print_text(
        "Where everything goes (mm; x in the plane of incidence away from the parent's axis, y up, "
        "z along the beam; zero is the first mirror's centre)"
    )
    print_pairs(_places(made, layout))
    print_text()
    print_text("The beam when all is aligned")
    print_pairs(_beam(made))
    print_text()
    _print_axes(made, axes, around)
    for title, lines in (
        ("What the spec cannot tell apart", [c.words for c in made.invisible]),
        ("What no detector can see", [c.words for c in made.unseen]),
        ("Advice", list(made.advice)),
    ):
        if lines:
            print_text(title)
            for line in lines:
                print_text(line, indent="  ")
            print_text()
    print_pairs([(name, str(path)) for name, path in files.items() if path is not None], indent="")


def _optic(optic: OpticPlan) -> list[tuple[str, str]]:
    return [
        ("parent focal length", f"{optic.parent_focal_length:.4f} mm"),
        ("reflected focal length", f"{optic.reflected_focal_length:.4f} mm"),
        ("off-axis angle", f"{optic.off_axis_angle_deg:.4f}°"),
        ("off-axis distance", f"{optic.off_axis_distance:.4f} mm"),
        ("sag at its centre", f"{optic.sag:.4f} mm above the parent's vertex"),
        ("clear aperture", f"{optic.clear_aperture:g} mm, f/{optic.working_f_number:.2f}"),
        ("centre", _point(optic.centre)),
        ("focus", _point(optic.focus)),
    ]


def _places(made: Plan, layout: Layout) -> list[tuple[str, str]]:
    heights = sorted(set(made.heights.values()))
    if len(heights) == 1:
        height = "the source, every mirror and the beam at the same height, y = 0"
    else:
        height = ", ".join(f"{name} {y:+.2f} mm" for name, y in made.heights.items())
    return [
        ("light starts at", _point(made.light_position)),
        ("and goes towards", _point(made.light_direction, 5)),
        *((f"plane {p.name!r}", f"{p.distance:g} mm after the last mirror") for p in layout.planes),
        ("heights", height),
    ]


def _beam(made: Plan) -> list[tuple[str, str]]:
    return [
        ("light", _light(made.light)),
        *(
            (f"d_σ at {plane!r}", f"{x:.3f} mm sideways, {y:.3f} mm up")
            for plane, (x, y) in made.diameters.items()
        ),
        ("own divergence", f"{made.source_divergence * 1e3:.4g} mrad full, from the source's size"),
        (
            "diffraction",
            f"{made.diffraction_divergence * 1e3:.3g} mrad full at the least (M² = 1), for d_σ "
            f"{made.fill.width:.2f} mm on leaving {made.fill.element}",
        ),
    ]


def _light(light: Source | Beam) -> str:
    colour = f"{to_edge(light.wavelength, 'nm'):g} nm"
    if isinstance(light, Beam):
        edge_at = " at 1/e²" if light.profile == "gaussian" else ""
        return f"{colour}, a {light.profile} beam of {light.diameter:g} mm{edge_at}"
    return (
        f"{colour} from {light.core_diameter:g} mm, {light.emission}, NA {light.na:g}: the sine of "
        f"the half-angle at {NA_EDGE[light.emission]}"
    )


def _print_axes(made: Plan, axes: Mapping[str, Axis], around: Surroundings) -> None:
    print_text("Which way each axis moves the spot (x sideways, y up)")
    planes = list(made.diameters)
    rows = [(_named(a), *(_shift(a, plane) for plane in planes)) for a in made.axes]
    print_table(("+1 of", *(f"at {plane!r}" for plane in planes)), rows)
    print_text()
    print_text(
        f"What each axis must be able to do, with parts placed by hand to {around.placement} "
        f"(standard uncertainties, --placement) and {around.view_words}. "
        f"Travel makes up for {COVERAGE:g} standard deviations of how the parts stand"
        + (", without the held axes." if any(a.held for a in made.axes) else ".")
    )
    header = ["axis", "steps of at most", "because of", "travel of at least", "beam in view within"]
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
    return "0" if abs(value) < 5e-7 else f"{value:+.4f}".replace("-", "−")


def _needs(axis: AxisPlan) -> tuple[str, ...]:
    unit = axis.unit
    low, high = (f"{edge(v, unit):+.3g}".replace("-", "−") for v in axis.capture)
    within = f"{low} … {high} {edge_unit(unit)}" if any(axis.capture) else "not even aligned"
    if axis.held:
        return (_named(axis), "–", "–", "–", within)
    return (
        axis.name,
        f"{number(edge(axis.resolution, unit), 2)} {edge_unit(unit)}",
        axis.limited_by,
        f"± {number(edge(axis.travel, unit), 2)} {edge_unit(unit)}",
        within,
    )


def _named(axis: AxisPlan) -> str:
    return f"{axis.name} (held)" if axis.held else axis.name


def _verdict(need: AxisPlan, axis: Axis | None) -> str:
    """Say whether an axis of the bench is fine enough and goes far enough."""
    if axis is None:
        return "no such axis"
    if need.held:
        return "held, not judged"
    short = []
    if axis.resolution > need.resolution:
        short.append(f"TOO COARSE: {stated(axis.resolution, axis.unit)}")
    reach = min(-axis.lower, axis.upper)
    if reach < need.travel:
        short.append(
            f"TOO SHORT: {stated(axis.lower, axis.unit)} … {stated(axis.upper, axis.unit)}"
        )
    return "; ".join(short) or "enough"


def _point(point: Vector, places: int = 3) -> str:
    named = zip("xyz", point, strict=True)
    return ", ".join(
        f"{n} {round(v, places) + 0.0:+.{places}f}".replace("-", "−") for n, v in named
    )
