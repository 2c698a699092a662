"""A collimated beam, a steering mirror and a paraboloid that brings it to a focus.

One camera on its own slide takes planes inside, at and beyond the focus: a bare sensor of fine
pixels.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.optics.layout import Beam, Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import focuser_layout
from autoalign.spec.terms import DivergenceTerm, MeritTerm, QuantityTerm, Spec
from autoalign_simulators.camera import CameraTraits
from autoalign_simulators.effects import Effects
from autoalign_simulators.moments import Fidelity
from autoalign_simulators.sensor import Sensor
from autoalign_simulators.simulation import BenchSimulation, FramePlan, build
from autoalign_simulators.ugly_light import UglyLight

__all__ = ["AXES", "START", "demo_layout", "focal_width", "plan", "simulate"]

START = {
    "steering.tip": 1e-3, "steering.tilt": 1e-3, "mirror.z": 1.0,
    "mirror.tip": 1e-3, "mirror.tilt": 1e-3, "mirror.clocking": 5e-3,
}  # fmt: skip
"""Half-widths of the ranges that the misalignment is drawn from, mm and rad."""

AXES = (
    Axis("steering.tip", "rad", -0.008, 0.008, resolution=5e-7, backlash=4e-6, speed=5e-3),
    Axis("steering.tilt", "rad", -0.008, 0.008, resolution=5e-7, backlash=4e-6, speed=5e-3),
    Axis("mirror.z", "mm", -5.0, 5.0, resolution=1e-3, backlash=8e-3, speed=2.0),
    Axis("mirror.tip", "rad", -0.010, 0.010, resolution=5e-7, backlash=4e-6, speed=5e-3),
    Axis("mirror.tilt", "rad", -0.010, 0.010, resolution=5e-7, backlash=4e-6, speed=5e-3),
    Axis("mirror.clocking", "rad", -0.030, 0.030, resolution=5e-6, backlash=40e-6, speed=20e-3),
)
"""The six axes of the demo, in the order of the layout's motions."""

PITCH = 3.45e-3
"""Pixels of the bare sensor, mm."""


def demo_layout() -> Layout:
    """Return the demo's nominal geometry: a 12 mm beam of 0.2 mrad into the demo's section."""
    return focuser_layout(OffAxisParaboloid(150.0, 35.0, 30.0), 12.0, 660e-6, divergence=2e-4)


def focal_width(layout: Layout) -> float:
    """Return the width d_σ, mm, of a perfect focus: diffraction and divergence in quadrature."""
    light, optic = layout.light, layout.elements[-1].surface
    assert isinstance(light, Beam)
    assert isinstance(optic, OffAxisParaboloid)
    waist = 4 * light.rms_wavelength / (math.pi * light.diameter)
    return optic.reflected_focal_length * math.hypot(waist, light.divergence)


def plan(layout: Layout | None = None, pixels: int = 640) -> FramePlan:
    """Return the plan of a focuser; ``layout`` None for the demo's own."""
    layout = layout or demo_layout()
    traits = CameraTraits(
        pitch=PITCH,
        sensor=Sensor(pixels, pixels),
        source_rate=2e9,
        u_distance=0.02,
        u_mark=5e-4,
        u_pitch=2e-4,
    )
    names = tuple(p.name for p in layout.planes)
    width = focal_width(layout)
    middle = names[len(names) // 2]
    terms: list[MeritTerm] = [QuantityTerm(f"{middle}.{a}", 0.005, unit="mm") for a in "xy"]
    terms += [QuantityTerm(f"{middle}.{k}", 0.15 * width, width, "mm") for k in ("xx", "yy")]
    terms.append(DivergenceTerm(5e-3, near=names[0], far=names[-1]))
    cameras = dict.fromkeys(names, traits)
    return FramePlan(layout, AXES, START, cameras, names, Spec(tuple(terms)), one_camera=True)


def simulate(
    seed: int | None, *, clock: Clock | None = None, ideal: bool = False,
    hidden: Mapping[str, float] | None = None, drift: Mapping[str, float] | None = None,
    layout: Layout | None = None, light: UglyLight | str | None = None,
    pixels: int = 640, fidelity: Fidelity = "frames", **switches: Any,
) -> BenchSimulation:  # fmt: skip
    """Return a simulated focuser; arguments as of :func:`.collimator.simulate`."""
    effects = Effects.of(ideal, switches, light)
    return build(plan(layout, pixels), seed, clock, effects, hidden, drift, fidelity)
