"""A plan before the bench is built: where everything goes, and what the axes must be able to do."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError, unknown_name
from autoalign.core.findings import Finding
from autoalign.optics.ideal import effective_size, quantities
from autoalign.optics.layout import Beam, Layout, Source, Vector
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.plan.advice import Fill, advise, diffraction, fill_of
from autoalign.plan.permitted import Permitted, cost_words, permitted
from autoalign.plan.plan_facts import plan_facts
from autoalign.plan.provable import unprovable
from autoalign.plan.reach import COVERAGE, Field, Reach, capture_range, travel_needed
from autoalign.plan.sensitivity import Combination, Sensitivity, sensitivity
from autoalign.plan.tolerance import (
    SpecLike,
    ToleranceRow,
    by_quantity,
    calculable,
    tolerance_table,
)
from autoalign.spec.terms import Spec

__all__ = ["AxisPlan", "OpticPlan", "Plan", "plan", "source_divergence"]

Floats = npt.NDArray[np.float64]

SHARE = 0.1
"""Part of a tolerance that one step of an axis may use up, where nothing else is asked for."""


@dataclass(frozen=True, slots=True)
class OpticPlan:
    """A paraboloid: its name and figures, mm and degrees; where its centre and focus go, mm."""

    name: str
    parent_focal_length: float
    reflected_focal_length: float
    off_axis_angle_deg: float
    off_axis_distance: float
    sag: float
    clear_aperture: float
    working_f_number: float
    centre: Vector
    focus: Vector


@dataclass(frozen=True, slots=True)
class AxisPlan:
    """One axis, in mm or rad as ``unit`` says.

    Parameters
    ----------
    moves
        By plane: how far the spot goes (x, y), mm per mm or mm per rad.
    resolution
        Smallest step that the spec needs: one that uses up ``Plan.share`` of a tolerance.
    travel
        To either side, to make up for how the parts stand; 0 for a locked axis.
    capture
        How far it may be off, down and up, with the beam still in every view.
    limited_by
        The quantity that asks for the resolution.
    held
        Whether no search moves it.
    """

    name: str
    unit: str
    moves: Mapping[str, tuple[float, float]]
    resolution: float
    travel: float
    capture: tuple[float, float]
    limited_by: str
    locked: bool = False


@dataclass(frozen=True, slots=True, eq=False)
class Plan:
    """Everything that is known of a bench before it is built; mm, rad and plain numbers.

    Parameters
    ----------
    heights
        Height y of every part above the bench frame's zero, mm.
    diameters
        By plane: widths d_σ (x, y) of the aligned beam, mm.
    source_divergence
        Full divergence that the source's face gives to the collimated beam, rad, that of a single
        mode's face at least; a beam's own.
    diffraction_divergence
        Full divergence that diffraction alone gives to a beam of the width ``fill.width``, rad:
        4λ/(π d_σ), the least that any beam of this width has (M² = 1; ISO 11146-1).
    quantities
        What an aligned bench shows, by name.
    singular_values
        Changes in tolerances when the free axes move by their travel, largest first.
    invisible
        Combinations of free axes that leave the spec alone.
    unseen
        Combinations that leave even the spots' places and widths alone.
    permitted
        The wavefront of a beam that meets the spec; None where nothing is known of it.
    unprovable
        Terms that not even a perfect beam could be shown to meet, and what would have to change.
    share
        Part of a tolerance that one step of an axis of the planned resolution uses up.
    """

    kind: str
    light: Source | Beam
    light_position: Vector
    light_direction: Vector
    optics: tuple[OpticPlan, ...]
    heights: Mapping[str, float]
    fill: Fill
    diameters: Mapping[str, tuple[float, float]]
    source_divergence: float
    diffraction_divergence: float
    quantities: Mapping[str, float]
    axes: tuple[AxisPlan, ...]
    response: Sensitivity
    singular_values: Floats
    invisible: tuple[Combination, ...]
    unseen: tuple[Combination, ...]
    table: tuple[ToleranceRow, ...]
    advice: tuple[str, ...]
    permitted: Permitted | None = None
    unprovable: tuple[Finding, ...] = ()
    share: float = SHARE

    @property
    def wavefront(self) -> float | None:
        """Waves rms that the spec permits: 95 % of the benches that meet it stay below; None where
        nothing is known of the wavefront."""
        return None if self.permitted is None else self.permitted.told.upper

    @property
    def strehl(self) -> float | None:
        """The Strehl ratio that 95 % of the benches that meet the spec exceed; None alike."""
        return None if self.permitted is None else self.permitted.told.strehl_lower

    @property
    def hidden(self) -> tuple[str, ...]:
        """In words, the combinations of axes that the spec does not show, and what they cost."""
        if self.permitted is None or not self.permitted.hidden:
            return tuple(c.words for c in self.invisible)
        return tuple(cost_words(c, waves) for c, waves in self.permitted.hidden)

    def facts(self) -> dict[str, Any]:
        """Return the plan as plain, labelled facts for people: mm, mrad, degrees."""
        return plan_facts(self)


def plan(
    layout: Layout,
    spec: SpecLike | Mapping[str, float],
    rng: np.random.Generator,
    *,
    view: float | Field | Mapping[str, float | Field] = 60.0,
    placement: tuple[float, float] = (0.5, 5e-3),
    locked: Sequence[str] = (),
    uncertainties: Mapping[str, float] | None = None,
    share: float = SHARE,
    seen: float = 0.02,
    draws: int = 400,
) -> Plan:
    """Return the plan of ``layout`` for ``spec``.

    Parameters
    ----------
    spec
        A spec, or tolerances by term ("pointing_x", "divergence", "ellipticity", or the name of a
        quantity), rad, mm or plain.
    rng
        For the tolerance table.
    view
        Side of each detector's field, or its sides along x and y, mm, for all planes or by plane.
    placement
        Standard uncertainties, mm and rad, with which parts are put into their places by hand.
    locked
        Parts or axes that no search moves: the free ones must make up for everything.
    uncertainties
        What is stated of the bench, by name (``Bench.uncertainties``).
    share
        Part of a tolerance that one step of one axis may use up.
    seen
        Change of a spot's place or width that a detector tells apart, mm.
    draws
        Benches drawn for each row of the tolerance table.

    Raises
    ------
    UsageError
        For a field or an uncertainty that is not larger than 0, a plane without a field, or a
        part or an axis to lock that the layout does not have.
    """
    views = _views(layout, view)
    if not all(math.isfinite(p) and p > 0 for p in placement):
        raise UsageError(
            f"plan: parts placed to {placement[0]:g} mm and {placement[1]:g} rad; both must be "
            "larger than 0."
        )
    aligned = {k: float(v) for k, v in quantities(layout).items()}
    terms, measured = calculable(spec, aligned)
    limits = by_quantity(terms)
    response = sensitivity(layout)
    free = response.of(_free(response.axes, locked))
    reach = travel_needed(layout, free, limits, *placement)
    axes = tuple(
        _axis_plan(layout, response, limits, views, share, reach.travel.get(axis), axis)
        for axis in response.axes
    )
    ranges = {a.name: max(a.travel, a.resolution) for a in axes if not a.locked}
    spots = [f"{p.name}.{part}" for p in layout.planes for part in ("x", "y", "xx", "yy", "xy")]
    fill = fill_of(layout)
    theta = source_divergence(layout)
    invisible = free.invisible(limits, ranges)
    wavefront = (
        permitted(layout, spec, placement, uncertainties, invisible)
        if isinstance(spec, Spec)
        else None
    )
    return Plan(
        kind=layout.kind,
        light=layout.light,
        light_position=layout.light.position,
        light_direction=layout.light.direction,
        optics=_optics(layout),
        heights={name: float(pose.position[1]) for name, pose in place(layout).items()},
        fill=fill,
        diameters={
            p.name: (aligned[f"{p.name}.xx"], aligned[f"{p.name}.yy"]) for p in layout.planes
        },
        source_divergence=theta,
        diffraction_divergence=diffraction(layout, fill),
        quantities=aligned,
        axes=axes,
        response=response,
        singular_values=free.singular_values(limits, ranges),
        invisible=invisible,
        unseen=free.invisible(dict.fromkeys(spots, seen), ranges, below=1.0),
        table=tolerance_table(
            layout, terms, {a.name: a.resolution for a in axes if not a.locked}, rng, draws=draws
        ),
        permitted=wavefront,
        share=share,
        unprovable=unprovable(layout, spec, uncertainties) if isinstance(spec, Spec) else (),
        advice=(
            *advise(layout, fill, limits, axes),
            *_too_wide(aligned, views),
            *_out_of_reach(reach, locked),
            *map(_beyond, measured),
        ),
    )


def _free(axes: Sequence[str], locked: Sequence[str]) -> list[str]:
    """Return the axes that are not locked, themselves or with their part."""
    parts = dict.fromkeys(axis.partition(".")[0] for axis in axes)
    for name in locked:
        if name not in axes and name not in parts:
            raise unknown_name("part or axis", name, [*axes, *parts], "plan, locked")
    free = [a for a in axes if a not in locked and a.partition(".")[0] not in locked]
    if not free:
        raise UsageError("plan: every axis is locked; nothing can be aligned. Free at least one.")
    return free


def _out_of_reach(reach: Reach, locked: Sequence[str]) -> list[str]:
    worst = max(reach.left, key=lambda name: reach.left[name])
    if not locked or reach.left[worst] <= 1:
        return []
    return [
        f"With {', '.join(locked)} locked, the free axes cannot make up for how far parts may be "
        f"misplaced: {worst} may stay off by {reach.left[worst]:.2g} times its tolerance, at "
        f"{COVERAGE:g} standard deviations. Free an axis, or place the parts more closely."
    ]


def _too_wide(aligned: Mapping[str, float], views: Mapping[str, Field]) -> list[str]:
    """Name the planes whose view is smaller than the aligned beam."""
    found = []
    for plane, sides in views.items():
        widths = aligned[f"{plane}.xx"], aligned[f"{plane}.yy"]
        if any(width > side for width, side in zip(widths, sides, strict=True)):
            found.append(
                f"The aligned beam does not fit into the view at {plane}: d_σ {widths[0]:.3g} × "
                f"{widths[1]:.3g} mm, view {sides[0]:g} × {sides[1]:g} mm. Image the "
                "screen through a lens for a larger view, or make the beam narrower with a shorter "
                "focal length or a source of smaller NA."
            )
    return found


def _views(layout: Layout, view: float | Field | Mapping[str, float | Field]) -> dict[str, Field]:
    """Return the field at every plane, mm."""
    planes = [p.name for p in layout.planes]
    given = view if isinstance(view, Mapping) else dict.fromkeys(planes, view)
    for name in given:
        if name not in planes:
            raise unknown_name("plane", name, planes, "the fields of the cameras")
    views = {n: v if isinstance(v, tuple) else (float(v), float(v)) for n, v in given.items()}
    for name in planes:
        if name not in views:
            raise UsageError(f"plan: no field is given for plane {name!r}; give one for each.")
        for side in views[name]:
            if not (math.isfinite(side) and side > 0):
                raise UsageError(
                    f"plan: a field of {side:g} mm at plane {name!r}; it must be larger than 0."
                )
    return views


def _beyond(term: str) -> str:
    return f"{term} is part of the spec, but nothing here: it is measured, not calculated."


def _axis_plan(
    layout: Layout,
    response: Sensitivity,
    limits: Mapping[str, float],
    views: Mapping[str, Field],
    share: float,
    travel: float | None,
    axis: str,
) -> AxisPlan:
    column = response.axes.index(axis)
    strength = np.abs(response.rows(tuple(limits))[:, column]) / np.array(list(limits.values()))
    strongest = int(np.argmax(strength))
    return AxisPlan(
        name=axis,
        unit=response.units[column],
        moves={
            p.name: (response(f"{p.name}.x", axis), response(f"{p.name}.y", axis))
            for p in layout.planes
        },
        resolution=float(share / strength[strongest]),
        travel=travel or 0.0,
        capture=capture_range(layout, axis, views),
        limited_by=tuple(limits)[strongest],
        locked=travel is None,
    )


def _optics(layout: Layout) -> tuple[OpticPlan, ...]:
    poses = place(layout)
    found = []
    for element in layout.elements:
        optic = element.surface
        if isinstance(optic, OffAxisParaboloid):
            pose = poses[element.name]
            found.append(
                OpticPlan(
                    element.name, optic.parent_focal_length, optic.reflected_focal_length,
                    optic.off_axis_angle_deg, optic.off_axis_distance, optic.sag,
                    optic.clear_aperture, optic.working_f_number,
                    _vector(pose.position), _vector(pose.apply(optic.focus)),
                )
            )  # fmt: skip
    return tuple(found)


def source_divergence(layout: Layout) -> float:
    """Return the full divergence that the source gives to the beam, rad, diffraction included.

    That of a face no smaller than a single mode's: a fibre of one mode has diffraction in it once.
    """
    light, first = layout.light, layout.elements[0].surface
    if isinstance(light, Source) and isinstance(first, OffAxisParaboloid):
        return effective_size(light) / first.reflected_focal_length
    return 0.0 if isinstance(light, Source) else light.divergence


def _vector(values: Floats) -> Vector:
    x, y, z = (float(v) for v in values)
    return (x, y, z)
