"""Two paraboloids image a fibre's end onto a pinhole; a camera views the surroundings of the image.

The two orientations of the second mirror, "cancelling" and "adding", can both be built.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any, Literal

from autoalign.core.axes import Axis
from autoalign.core.clock import Clock
from autoalign.optics.ideal import plane_moments
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.standard_layouts import relay_layout
from autoalign.spec.terms import DivergenceTerm, MeritTerm, QuantityTerm, Spec
from autoalign_simulators.camera import CameraTraits
from autoalign_simulators.effects import Effects
from autoalign_simulators.meter import MeterTraits
from autoalign_simulators.moments import Fidelity
from autoalign_simulators.sensor import Sensor
from autoalign_simulators.simulation import BenchSimulation, FramePlan, build
from autoalign_simulators.truth import Pinhole
from autoalign_simulators.ugly_light import UglyLight

__all__ = ["AXES", "START", "demo_layout", "plan", "simulate"]

Orientation = Literal["cancelling", "adding"]

START = {
    "source.x": 0.3, "source.y": 0.3, "source.z": 0.6,
    "first.tip": 5e-4, "first.tilt": 5e-4, "first.clocking": 2e-3,
    "second.tip": 5e-4, "second.tilt": 5e-4, "second.clocking": 2e-3,
}  # fmt: skip
"""Half-widths of the ranges that the misalignment is drawn from, mm and rad."""


def _axis(name: str) -> Axis:
    if name.startswith("source"):
        return Axis(name, "mm", -3.0, 3.0, resolution=5e-4, backlash=6e-3, speed=2.0)
    if name.endswith("clocking"):
        return Axis(name, "rad", -0.020, 0.020, resolution=5e-6, backlash=30e-6, speed=20e-3)
    return Axis(name, "rad", -0.008, 0.008, resolution=5e-7, backlash=4e-6, speed=5e-3)


AXES = tuple(_axis(name) for name in START)
"""The nine axes of the demo, in the order of the layout's motions."""

PITCH = 3.45e-3
"""Pixels of the bare sensor, mm."""


def demo_layout(orientation: Orientation = "cancelling") -> Layout:
    """Return the demo's nominal geometry: two sections of the demo's kind, 400 mm apart."""
    optic = OffAxisParaboloid(150.0, 35.0, 30.0)
    return relay_layout(optic, optic, 0.1, 0.08, 660e-6, orientation)


def plan(layout: Layout | None = None, pixels: int = 768) -> FramePlan:
    """Return the plan of a relay; ``layout`` None for the demo's own."""
    layout = layout or demo_layout()
    traits = CameraTraits(
        pitch=PITCH,
        sensor=Sensor(pixels, pixels),
        source_rate=4e9,
        u_distance=0.02,
        u_mark=5e-4,
        u_pitch=2e-4,
    )
    names = tuple(p.name for p in layout.planes)
    middle = names[len(names) // 2]
    light, (first, second) = layout.light, (e.surface for e in layout.elements)
    assert isinstance(light, Source)
    assert isinstance(first, OffAxisParaboloid)
    assert isinstance(second, OffAxisParaboloid)
    image = light.core_diameter * second.reflected_focal_length / first.reflected_focal_length
    terms: list[MeritTerm] = [QuantityTerm(f"{middle}.{a}", 0.01, unit="mm") for a in "xy"]
    terms += [QuantityTerm(f"{middle}.{k}", 0.1 * image, image, "mm") for k in ("xx", "yy")]
    terms.append(DivergenceTerm(0.02, near=names[0], far=names[-1]))
    through = float(plane_moments(layout, place(layout))[middle]["power"])
    terms.append(QuantityTerm("pinhole.power", 0.05, round(through, 2)))
    return FramePlan(
        layout,
        AXES,
        START,
        dict.fromkeys(names, traits),
        names,
        Spec(tuple(terms)),
        locked=("first",),
        meters={"pinhole": MeterTraits(Pinhole(middle, 1.2 * image))},
        one_camera=True,
    )


def simulate(
    seed: int | None, *, clock: Clock | None = None, ideal: bool = False,
    hidden: Mapping[str, float] | None = None, drift: Mapping[str, float] | None = None,
    layout: Layout | None = None, light: UglyLight | str | None = None,
    orientation: Orientation = "cancelling", pixels: int = 768, fidelity: Fidelity = "frames",
    **switches: Any,
) -> BenchSimulation:  # fmt: skip
    """Return a simulated relay; arguments as of :func:`.collimator.simulate`.

    ``orientation`` of the second mirror counts where no ``layout`` is given.
    """
    chosen = plan(layout or demo_layout(orientation), pixels)
    effects = Effects.of(ideal, switches, light)
    return build(chosen, seed, clock, effects, hidden, drift, fidelity)
