"""The beam-walk job: two flat fold mirrors bring a narrow beam onto a near and a far target."""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.optics.layout import Layout
from autoalign.optics.standard_layouts import steering_layout
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign_simulators.camera import CameraTraits
from autoalign_simulators.effects import Effects
from autoalign_simulators.moments import Fidelity
from autoalign_simulators.sensor import Sensor
from autoalign_simulators.simulation import BenchSimulation, FramePlan, build
from autoalign_simulators.ugly_light import UglyLight

__all__ = ["AXES", "START", "demo_layout", "plan", "simulate"]

START = dict.fromkeys(("first.tip", "first.tilt", "second.tip", "second.tilt"), 3e-3)
"""Half-widths of the ranges that the misalignment is drawn from, rad."""

AXES = tuple(
    Axis(name, "rad", -0.010, 0.010, resolution=1e-6, backlash=8e-6, speed=5e-3) for name in START
)
"""The four axes of the demo."""

FIELDS = {"near": 22.0, "far": 66.0}
"""Width of what the cameras see, mm."""


def demo_layout() -> Layout:
    """Return the demo's nominal geometry: a 5 mm beam, mirrors 300 mm apart."""
    return steering_layout(5.0, 660e-6, divergence=1e-4)


def plan(layout: Layout | None = None, pixels: int = 512) -> FramePlan:
    """Return the plan of a steering bench; ``layout`` None for the demo's own."""
    layout = layout or demo_layout()
    cameras = {
        p.name: CameraTraits(
            pitch=FIELDS.get(p.name, 66.0) / pixels,
            sensor=Sensor(pixels, pixels),
            source_rate=1e10,
            u_distance=1.5e-3 * p.distance,
        )
        for p in layout.planes
    }
    names = tuple(cameras)
    terms = tuple(
        QuantityTerm(f"{p}.{axis}", 0.1, unit="mm") for p in (names[0], names[-1]) for axis in "xy"
    )
    return FramePlan(layout, AXES, START, cameras, names, Spec(terms))


def simulate(
    seed: int | None, *, clock: Clock | None = None, ideal: bool = False,
    hidden: Mapping[str, float] | None = None, drift: Mapping[str, float] | None = None,
    layout: Layout | None = None, light: UglyLight | str | None = None,
    pixels: int = 512, fidelity: Fidelity = "frames", **switches: Any,
) -> BenchSimulation:  # fmt: skip
    """Return a simulated steering bench; arguments as of :func:`.collimator.simulate`."""
    effects = Effects.of(ideal, switches, light)
    return build(plan(layout, pixels), seed, clock, effects, hidden, drift, fidelity)
