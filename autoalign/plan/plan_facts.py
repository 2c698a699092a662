"""A plan as labelled facts for people: mm, mrad, degrees; plain data for JSON."""

from __future__ import annotations

from typing import TYPE_CHECKING, Any

from autoalign.core.units import EDGE_UNIT, to_edge
from autoalign.optics.layout import NA_EDGE, Beam
from autoalign.plan.tolerance import ToleranceRow

if TYPE_CHECKING:
    from autoalign.optics.layout import Source
    from autoalign.plan.planning import AxisPlan, OpticPlan, Plan

__all__ = ["plan_facts"]


def plan_facts(plan: Plan) -> dict[str, Any]:
    """Return everything in ``plan`` under names that carry their units."""
    return {
        "kind": plan.kind,
        "light": _light_facts(plan.light),
        "light position (mm)": list(plan.light_position),
        "optics": [_optic_facts(o) for o in plan.optics],
        "heights (mm)": dict(plan.heights),
        "beam at the first element": plan.fill.facts(),
        "beam diameters (mm)": {k: list(v) for k, v in plan.diameters.items()},
        "divergence of the beam itself, by design (mrad)": to_edge(plan.source_divergence, "mrad"),
        "diffraction divergence (mrad)": to_edge(plan.diffraction_divergence, "mrad"),
        "part of a tolerance that one step may use (%)": 100 * plan.share,
        "axes": [_axis_facts(a) for a in plan.axes],
        "singular values": [float(v) for v in plan.singular_values],
        "wavefront that the spec permits": _permitted_facts(plan),
        "cannot be shown": [str(f) for f in plan.unprovable],
        "invisible to the spec": list(plan.hidden),
        "invisible to the detectors": [c.words for c in plan.unseen],
        "tolerance table": [_row_facts(r, plan.axes) for r in plan.table],
        "advice": list(plan.advice),
    }


def _permitted_facts(plan: Plan) -> dict[str, Any] | None:
    if plan.permitted is None:
        return None
    told = plan.permitted.told
    return {
        "upper 95 % (waves rms)": told.upper,
        "strehl lower 95 %": told.strehl_lower,
        "added to the divergence of the source, upper 95 %": told.added_upper,
        "shown to be good": told.shown,
        "part of the tolerances that shows it": plan.permitted.tighter,
        "distance of the far plane that shows it (mm)": plan.permitted.farther,
    }


def _light_facts(light: Source | Beam) -> dict[str, Any]:
    facts = {"wavelength (nm)": to_edge(light.wavelength, "nm")}
    if isinstance(light, Beam):
        return {**facts, "profile": light.profile, "diameter (mm)": light.diameter}
    return {
        **facts,
        "core diameter (mm)": light.core_diameter,
        "NA": light.na,
        "NA is the sine of the half-angle at": NA_EDGE[light.emission],
        "emission": light.emission,
    }


def _optic_facts(optic: OpticPlan) -> dict[str, Any]:
    return {
        "name": optic.name,
        "parent focal length (mm)": optic.parent_focal_length,
        "reflected focal length (mm)": optic.reflected_focal_length,
        "off-axis angle (deg)": optic.off_axis_angle_deg,
        "off-axis distance (mm)": optic.off_axis_distance,
        "sag (mm)": optic.sag,
        "clear aperture (mm)": optic.clear_aperture,
        "working f-number": optic.working_f_number,
        "centre (mm)": list(optic.centre),
        "focus (mm)": list(optic.focus),
    }


def _axis_facts(axis: AxisPlan) -> dict[str, Any]:
    unit = EDGE_UNIT[axis.unit]
    size = 1 / to_edge(1.0, unit)
    return {
        "name": axis.name,
        f"spot moves (mm per {unit})": {
            plane: [dx * size, dy * size] for plane, (dx, dy) in axis.moves.items()
        },
        "locked": axis.locked,
        f"resolution ({unit})": None if axis.locked else to_edge(axis.resolution, unit),
        f"travel to either side ({unit})": None if axis.locked else to_edge(axis.travel, unit),
        f"capture range ({unit})": [to_edge(v, unit) for v in axis.capture],
        "resolution asked for by": axis.limited_by,
    }


def _row_facts(row: ToleranceRow, axes: tuple[AxisPlan, ...]) -> dict[str, Any]:
    units = {a.name: EDGE_UNIT[a.unit] for a in axes}
    return {
        "times the resolution": row.factor,
        "settings": {
            f"{axis} ({units[axis]})": to_edge(v, units[axis]) for axis, v in row.settings.items()
        },
        "in spec (%)": 100 * row.in_spec,
        "tolerance used by 95 % (%)": {term: 100 * v for term, v in row.used.items()},
    }
