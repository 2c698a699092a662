"""A whole simulated bench, and how one is put together from a plan."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, field, replace
from types import TracebackType
from typing import Literal, Self

import numpy as np

from autoalign.bench import Bench
from autoalign.core.axes import Axis
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.errors import UsageError, unknown_name
from autoalign.core.interfaces import Detector, Stage
from autoalign.optics.layout import Flat, Layout, Source
from autoalign.spec.terms import Spec
from autoalign_simulators.agenda import AgendaClock
from autoalign_simulators.blemishes import Blemishes
from autoalign_simulators.camera import CameraTraits, Image, SimulatedCamera, Slide
from autoalign_simulators.effects import Effects
from autoalign_simulators.figure import FigureError
from autoalign_simulators.glow import Glow
from autoalign_simulators.meter import MeterTraits, PinholeMeter
from autoalign_simulators.moments import Fidelity, detectors_of
from autoalign_simulators.motors import Motor, MotorTraits
from autoalign_simulators.render import Renderer
from autoalign_simulators.screen import OWN_PITCH, ROLL, Screen
from autoalign_simulators.simulated_stage import SimulatedStage
from autoalign_simulators.stray import Stray
from autoalign_simulators.train import Train
from autoalign_simulators.truth import Truth
from autoalign_simulators.ugly_light import UglyLight
from autoalign_simulators.world import World, cross_talk, skewed

__all__ = ["BenchSimulation", "FramePlan", "build"]

SCALE_ERROR = 0.03
"""Standard deviation of the relative error of a motor's scale."""

DIRECTION_ERROR = 0.035
"""Standard deviation, per component, of the direction of an axis: 2°, in rad."""

PIVOT_ERROR = 15.0
"""Standard deviation, per component, of a pivot, mm: 26 mm off as a rule."""

GHOST = 0.0016
"""Part of the light in a window's ghost: 4 % reflected at either face of uncoated glass (Fresnel
at n 1.5: E. Hecht, Optics, 4th ed., section 4.6, from memory)."""

_SPARE = 0.02
"""How far beyond the soft limits the limit switches stand, as a part of the travel."""


@dataclass(frozen=True, slots=True)
class FramePlan:
    """What a family's simulated bench is made from.

    Parameters
    ----------
    layout
        The nominal geometry; the axes move its parts.
    axes
        One for each motion of the layout; ``backlash`` and ``speed`` are what the maker states.
    start
        Range of the hidden misalignment by axis: drawn evenly within ± this, mm or rad.
    cameras
        By plane.
    judged
        Planes that the quality is made of.
    spec
        What the beam must meet.
    locked
        Parts or axes that searches leave alone.
    settle
        s, see :class:`autoalign.Bench`.
    meters
        Power meters by name.
    one_camera
        One camera on a slide measures at all planes.
    """

    @property
    def uncertainties(self) -> dict[str, float]:
        """What is known of the bench beforehand, as :class:`autoalign.Bench` takes it."""
        known = {"scale": SCALE_ERROR, "direction": DIRECTION_ERROR, "pivot": PIVOT_ERROR}
        for plane, traits in self.cameras.items():
            away = abs(self.layout.plane(plane).distance)
            known |= {
                f"{plane}.pitch": traits.u_pitch,
                f"{plane}.pixel_aspect": traits.u_pitch * OWN_PITCH * math.sqrt(2),
                f"{plane}.roll": ROLL,
                f"{plane}.fiducial": traits.u_mark,
                f"{plane}.distance": traits.u_distance / away,
            }
        return known

    layout: Layout
    axes: tuple[Axis, ...]
    start: Mapping[str, float]
    cameras: Mapping[str, CameraTraits]
    judged: tuple[str, ...]
    spec: Spec
    locked: tuple[str, ...] = ()
    settle: float = 0.1
    meters: Mapping[str, MeterTraits] = field(default_factory=dict)
    one_camera: bool = False


class BenchSimulation:
    """See :class:`autoalign.core.interfaces.Simulation`."""

    def __init__(
        self, plan: FramePlan, clock: AgendaClock, truth: Truth, stages: Sequence[SimulatedStage],
        detectors: Sequence[Detector],
    ) -> None:  # fmt: skip
        self.plan = plan
        self._clock = clock
        self._truth = truth
        self._stages = {s.name: s for s in stages}
        self._detectors = {d.name: d for d in detectors}
        self._links: list[object] = []

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def clock(self) -> AgendaClock:
        """The simulated world's time."""
        return self._clock

    @property
    def stages(self) -> Mapping[str, Stage]:
        """The stages, without a link between."""
        return dict(self._stages)

    @property
    def detectors(self) -> Mapping[str, Detector]:
        """The detectors by name."""
        return dict(self._detectors)

    @property
    def truth(self) -> Truth:
        """The hidden truth, for tests and benchmarks alone."""
        return self._truth

    @property
    def motors(self) -> Mapping[str, Motor]:
        """Every motor by axis."""
        return self._truth.world.motors

    def serve(self, stage: str, link: Literal["pty", "tcp", "loop"]) -> str:
        """Serve the controller of ``stage`` and return the port that a driver opens."""
        from autoalign_simulators.controllers import Mover  # noqa: PLC0415  (needed on links only)
        from autoalign_simulators.links import serve  # noqa: PLC0415

        if stage not in self._stages:
            raise unknown_name("stage", stage, self._stages, f"{self.plan.layout.kind} bench")
        motors = list(self._stages[stage].motors.values())
        serial = f"{1 + list(self._stages).index(stage):04d}"
        served = serve(Mover(self.clock, motors, serial), link)
        self._links.append(served)
        return served.port

    def picture(self, detector: str, finer: int = 1) -> Image:
        """Return what a camera is lit with now; see :meth:`.SimulatedCamera.picture`."""
        camera = self._detectors.get(detector)
        if not isinstance(camera, SimulatedCamera):
            cameras = [n for n, d in self._detectors.items() if isinstance(d, SimulatedCamera)]
            raise unknown_name("camera", detector, cameras, f"simulated {self.plan.layout.kind}")
        return camera.picture(finer)

    def close(self) -> None:
        """End every link."""
        while self._links:
            self._links.pop().close()  # type: ignore[attr-defined]

    def bench(self) -> Bench:
        """Return the bench as an alignment reaches it, without a link between."""
        plan = self.plan
        return Bench(
            name=f"simulated {plan.layout.kind}",
            stages=self.stages,
            detectors=self.detectors,
            spec=plan.spec,
            layout=plan.layout,
            locked=plan.locked,
            clock=self.clock,
            settle=plan.settle,
            uncertainties=plan.uncertainties,
            truth=self._truth,
        )


def build(
    plan: FramePlan, seed: int | None, clock: Clock | None, effects: Effects,
    hidden: Mapping[str, float] | None = None, drift: Mapping[str, float] | None = None,
    fidelity: Fidelity = "frames",
) -> BenchSimulation:  # fmt: skip
    """Return a bench of ``plan``'s kind with a truth drawn from ``seed``.

    ``hidden`` replaces the drawn misalignment of the axes that it names, mm or rad; ``drift`` is a
    steady drift by axis, mm/s or rad/s. With ``fidelity`` "moments" the cameras give the moments of
    their frames and no pixel is rendered (:mod:`.moments`). Every part of
    the truth draws from its own stream, so that a switch changes nothing but its own effect.
    """
    named, moved = [a.name for a in plan.axes], [m.axis for m in plan.layout.motions]
    if sorted(named) != sorted(moved):
        raise UsageError(
            f"simulated {plan.layout.kind}: the layout moves {', '.join(moved)}, but this bench "
            f"has the axes {', '.join(named)}; give a layout with these."
        )
    number = int(np.random.SeedSequence().generate_state(1)[0]) if seed is None else seed
    time = AgendaClock(clock or VirtualClock())

    def stream(what: int) -> np.random.Generator:
        return np.random.default_rng([number, what])

    motors = {a.name: _motor(a, time, effects, stream(100 + k)) for k, a in enumerate(plan.axes)}
    layout, coupling = plan.layout, None
    if effects.axes:
        layout = skewed(plan.layout, stream(1), direction=DIRECTION_ERROR, pivot=PIVOT_ERROR)
        coupling = cross_talk(plan.layout, stream(2), 0.01)
    rng = stream(3)
    drawn = {a: float(rng.uniform(-w, w)) for a, w in plan.start.items()}
    start = {**(drawn if effects.misaligned else {}), **(hidden or {})}
    world = World(
        time, layout, motors, start, coupling, dict(drift or {}), fading=effects.light.fading
    )
    train = _train(plan.layout, effects, stream)
    pinholes = {name: traits.pinhole for name, traits in plan.meters.items()}
    truth = Truth(world, train, plan.judged, pinholes=pinholes, ranges=plan.start)
    camera, metered = detectors_of(fidelity, truth)
    cameras = _cameras(plan, world, Renderer(train), effects, number, camera)
    meters = [
        PinholeMeter(name, metered, traits, number + 1000 + k)
        for k, (name, traits) in enumerate(plan.meters.items())
    ]
    return BenchSimulation(plan, time, truth, _stages(plan.axes, motors), [*cameras, *meters])


def _motor(axis: Axis, clock: Clock, effects: Effects, rng: np.random.Generator) -> Motor:
    """Draw a motor: less backlash than the maker states, a scale that is off by some per cent."""
    backlash, wave, period, uneven = rng.uniform(size=4)
    scale, sign = rng.normal(0, SCALE_ERROR), rng.choice([-1.0, 1.0])
    speed = axis.speed or axis.travel / 10
    step = axis.resolution or 1e-6 * axis.travel
    traits = MotorTraits(
        step=step if effects.resolution else step * 1e-4,
        speed=speed,
        acceleration=5 * speed,
        backlash=axis.backlash * (0.4 + 0.6 * float(backlash)) if effects.backlash else 0.0,
        scale=1 + float(scale) if effects.scale else 1.0,
        backward=1 + float(sign * (0.05 + 0.25 * uneven)) if effects.inertia else 1.0,
        wave=2 * step * float(wave) if effects.scale else 0.0,
        wave_period=step * 1000 * (0.5 + float(period)),
        creep=1e-3 if effects.creep else 0.0,
        creep_time=3.0,
    )
    spare = _SPARE * axis.travel
    return Motor(axis.name, clock, traits, axis.lower - spare, axis.upper + spare)


def _train(layout: Layout, effects: Effects, stream: object) -> Train:
    assert callable(stream)
    figures, blemishes = {}, {}
    for k, element in enumerate(layout.elements):
        radius = element.surface.clear_aperture / 2
        if effects.figure:
            low = 8e-6 if isinstance(element.surface, Flat) else 20e-6
            figures[element.name] = FigureError.draw(
                stream(10 + k), radius, low * effects.light.figure
            )
        if effects.blemishes:
            blemishes[element.name] = Blemishes.draw(stream(30 + k), radius)
    light = layout.light
    uneven = effects.glow and isinstance(light, Source)
    glow = Glow.draw(stream(4), light.na) if uneven and isinstance(light, Source) else Glow()
    glow = replace(glow, shape=effects.light.pupil(stream(5)))
    return Train(layout, glow, figures, blemishes)


def _cameras(
    plan: FramePlan,
    world: World,
    renderer: Renderer,
    effects: Effects,
    seed: int,
    make: Callable[..., SimulatedCamera] = SimulatedCamera,
) -> list[SimulatedCamera]:
    """One camera for each plane, or one on a slide for all."""
    distances = {p: world.layout.plane(p).distance for p in plan.cameras}
    slide = Slide(world.clock, distances) if plan.one_camera else None
    cameras = []
    for k, (plane, traits) in enumerate(plan.cameras.items()):
        stream = 200 if plan.one_camera else 200 + k
        rng = np.random.default_rng([seed, stream])
        screen = Screen.draw(rng, traits.u_distance, traits.u_mark, traits.u_pitch)
        stray = _stray(effects, rng)
        if plan.one_camera:
            again = np.random.default_rng([seed, 250 + k]).normal(0, traits.u_distance / 4)
            screen = replace(screen, distance=screen.distance + float(again))
        number = int(np.random.SeedSequence([seed, stream]).generate_state(1)[0])
        cameras.append(
            make(
                plane,
                plane,
                world,
                renderer,
                screen if effects.screens else Screen(),
                _troubled(traits if effects.noise else _noiseless(traits), effects.light),
                stray,
                number,
                slide,
            )
        )
    return cameras


def _stray(effects: Effects, rng: np.random.Generator) -> Stray:
    level, slope = 300.0 * float(rng.uniform(0.5, 2.0)), rng.uniform(-0.5, 0.5, 2)
    stray = Stray()
    if effects.stray:
        stray = Stray(level, (float(slope[0]), float(slope[1])), scatter=0.005)
    if effects.ghost:
        stray.ghost = GHOST
    return stray


def _troubled(traits: CameraTraits, light: UglyLight) -> CameraTraits:
    """Return a camera that takes ``light`` as it asks for; an 8-bit one has its own black level."""
    sensor = replace(traits.sensor, new_hot_pixels=light.new_hot_pixels)
    if light.bits != UglyLight().bits:
        finer = 2.0 ** (light.bits - sensor.bits)
        sensor = replace(
            sensor,
            bits=light.bits,
            black_level=sensor.black_level * finer,
            dark_spread=sensor.dark_spread * finer,
        )
    return replace(
        traits,
        sensor=sensor,
        grains=light.grains,
        overexposure=light.overexposure,
        settable=light.settable,
    )


def _noiseless(traits: CameraTraits) -> CameraTraits:
    sensor = replace(traits.sensor, noise=False, response_spread=0.0, dark_spread=0.0, hot_pixels=0)
    return replace(traits, sensor=sensor)


def _stages(axes: Sequence[Axis], motors: Mapping[str, Motor]) -> list[SimulatedStage]:
    """One controller for each part that moves."""
    parts = list(dict.fromkeys(a.part for a in axes))
    return [
        SimulatedStage(p, [a for a in axes if a.part == p], motors, f"{k + 1:04d}")
        for k, p in enumerate(parts)
    ]
