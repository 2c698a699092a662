"""The demo: the input arm of a made-up gas spectrometer.

A fibre in the focus of a 35° section (ρ 150 mm, clear aperture 30 mm) makes a collimated beam that
two cameras watch on screens at 0.4 m and 2.4 m. Its source stands on three linear stages, its
mirror in a mount with tip, tilt and clocking.
"""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from dataclasses import replace
from typing import Any

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.core.errors import unknown_name
from autoalign.core.frames import View
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.spec.terms import Spec
from autoalign_simulators.camera import CameraTraits
from autoalign_simulators.effects import Effects
from autoalign_simulators.moments import Fidelity
from autoalign_simulators.sensor import Sensor
from autoalign_simulators.simulation import BenchSimulation, FramePlan, build
from autoalign_simulators.ugly_light import UglyLight

__all__ = ["AXES", "START", "VIEWS", "demo_layout", "plan", "simulate"]

AXES = (
    Axis("source.x", "mm", -6.0, 6.0, resolution=5e-4, backlash=8e-3, speed=2.0),
    Axis("source.y", "mm", -6.0, 6.0, resolution=5e-4, backlash=8e-3, speed=2.0),
    Axis("source.z", "mm", -10.0, 10.0, resolution=1e-3, backlash=10e-3, speed=4.0),
    Axis("mirror.tip", "rad", -0.020, 0.020, resolution=2e-6, backlash=15e-6, speed=10e-3),
    Axis("mirror.tilt", "rad", -0.020, 0.020, resolution=2e-6, backlash=15e-6, speed=10e-3),
    Axis("mirror.clocking", "rad", -0.040, 0.040, resolution=5e-6, backlash=40e-6, speed=20e-3),
)
"""The six axes of the demo."""

START = {
    "source.x": 1.0, "source.y": 1.0, "source.z": 3.0,
    "mirror.tip": 4e-3, "mirror.tilt": 4e-3, "mirror.clocking": 10e-3,
}  # fmt: skip
"""Half-widths of the ranges that the misalignment is drawn from, mm and rad."""

_STRAIGHT: View = ((1.0, 0.0), (0.0, -1.0))
_FROM_BEHIND: View = ((-1.0, 0.0), (0.0, -1.0))
_RATE = 4e10


def demo_layout() -> Layout:
    """Return the demo's nominal geometry."""
    return collimator_layout(OffAxisParaboloid(150.0, 35.0, 30.0), 0.1, 0.12, 660e-6)


VIEWS: Mapping[str, tuple[dict[str, float], dict[str, float], float]] = {
    "screens": ({"near": 64.0, "far": 132.0}, {}, 1.0),
    "lens": (
        {"near": 54.0, "far": 54.0},
        {"field": 50.0, "distortion": 2e-3, "u_mark": 5e-3, "u_pitch": 1e-3},
        0.25,
    ),
    "sensor": ({"near": 24.0, "far": 24.0}, {"u_mark": 2e-3, "u_pitch": 1e-4}, 0.1),
}
"""How the planes are viewed: widths of the fields, mm, camera traits, and the part of the usual
misalignment that still leaves the beam in view. "lens" is a bare sensor behind a demagnifying lens
of 50 mm; "sensor" a bare sensor, for beams of a few millimetres."""


def plan(
    layout: Layout | None = None, fields: Mapping[str, float] | None = None, pixels: int = 512,
    view: str = "screens", axis_list: Sequence[Axis] = AXES,
) -> FramePlan:  # fmt: skip
    """Return the plan of a collimator bench.

    Parameters
    ----------
    layout
        A geometry with the demo's axes; None for the demo's own.
    fields
        Width of the field that each camera sees, mm, by plane, where not that of the view.
    pixels
        Pixels along a camera's side.
    view
        One of :data:`VIEWS`.
    axis_list
        The six axes, where other travels than the demo's are wanted.
    """
    if view not in VIEWS:
        raise unknown_name("view", view, VIEWS, "collimator")
    usual, traits, share = VIEWS[view]
    layout = layout or demo_layout()
    widths = {**usual, **(fields or {})}
    names = [p.name for p in layout.planes]
    cameras = {}
    for plane in layout.planes:
        behind = view == "screens" and plane.name == names[-1]
        camera = CameraTraits(
            pitch=widths.get(plane.name, usual["far"]) / pixels,
            view=_FROM_BEHIND if behind else _STRAIGHT,
            sensor=Sensor(pixels, pixels),
            source_rate=_RATE,
            u_distance=1.5e-3 * plane.distance,
        )
        cameras[plane.name] = replace(camera, **traits)  # type: ignore[arg-type]
    optic, light = layout.elements[0].surface, layout.light
    assert isinstance(optic, OffAxisParaboloid)
    assert isinstance(light, Source)
    rho = optic.reflected_focal_length
    spec = Spec.collimation(
        source_divergence=light.core_diameter / rho, planes=(names[0], names[-1]), waist=rho
    )
    start = {a: share * width for a, width in START.items()}
    return FramePlan(layout, tuple(axis_list), start, cameras, tuple(names), spec)


def simulate(
    seed: int | None, *, clock: Clock | None = None, ideal: bool = False,
    hidden: Mapping[str, float] | None = None, drift: Mapping[str, float] | None = None,
    layout: Layout | None = None, light: UglyLight | str | None = None,
    fields: Mapping[str, float] | None = None, pixels: int = 512, view: str = "screens",
    axis_list: Sequence[Axis] = AXES, fidelity: Fidelity = "frames",
    **switches: Any,
) -> BenchSimulation:  # fmt: skip
    """Return a simulated collimator; the same ``seed`` gives the same bench and the same noise.

    Parameters
    ----------
    seed
        None draws one from the system.
    clock
        The world's time; None for virtual time.
    ideal
        Start from a bench without any effect instead of an everyday one.
    hidden
        Misalignment by axis, mm or rad, in place of what would be drawn.
    drift
        Steady drift by axis, mm/s or rad/s.
    layout, fields, pixels, view, axis_list
        See :func:`plan`.
    fidelity
        "frames" renders what the cameras see; "moments" gives the moments, noise and flags of such
        frames without any pixel, see :mod:`.moments`.
    light
        What is wrong with the light and with how cameras take it: a name of
        :data:`.ugly_light.KINDS`, names joined by "+", or an :class:`.UglyLight`.
    switches
        Effects to turn on or off by name, see :class:`.Effects`.
    """
    effects = Effects.of(ideal, switches, light)
    return build(
        plan(layout, fields, pixels, view, axis_list), seed, clock, effects, hidden, drift, fidelity
    )
