"""A simulated camera that views a screen, or a bare sensor in the beam."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass, field
from functools import cached_property
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.clock import Clock
from autoalign.core.errors import DetectorError
from autoalign.core.frames import Frame, View
from autoalign.core.interfaces import Exposure
from autoalign.optics.pose import Pose, place
from autoalign_simulators.pixelmap import PixelMap
from autoalign_simulators.render import Renderer
from autoalign_simulators.screen import Screen, field_map
from autoalign_simulators.sensor import Sensor, SensorMaps
from autoalign_simulators.speckle import Speckle
from autoalign_simulators.stray import Stray
from autoalign_simulators.world import World

__all__ = ["CameraFaults", "CameraTraits", "SimulatedCamera", "Slide"]

Image = npt.NDArray[np.float32]

_LOOKS_WHILE_MOVING = 5
"""Instants of an exposure that are averaged while something moves."""

_KEPT = 4


@dataclass(frozen=True, slots=True)
class CameraTraits:
    """How a camera is set up.

    Parameters
    ----------
    pitch
        Nominal size of a pixel on the screen, mm.
    view
        See :class:`autoalign.Frame`.
    sensor
        The sensor.
    source_rate
        Electrons per second that the camera would collect from all that the source emits.
    exposure
        s; None sets it so that the brightest pixel comes to ``aim`` of the range.
    overexposure
        Where not 0: one exposure for all frames instead, at which the brightest pixel of the
        aligned bench comes to this many times the range.
    settable
        Whether the exposure can be set, see :attr:`.SimulatedCamera.exposure`.
    shortest, longest
        Limits of the exposure, s.
    grains
        Speckle grains across the beam's width; 0 for none.
    readout
        Time from the end of an exposure to its delivery, s.
    u_distance, u_mark, u_pitch
        How well place (mm), zero (mm) and pixel pitch (relative) are known: standard deviations.
    field
        Diameter, mm, of what a lens in front of the camera lets through; None without one.
    distortion
        Relative shift of the picture's corners by that lens.
    """

    pitch: float
    view: View = ((1.0, 0.0), (0.0, -1.0))
    sensor: Sensor = field(default_factory=Sensor)
    source_rate: float = 1e10
    exposure: float | None = None
    overexposure: float = 0.0
    settable: bool = False
    aim: float = 0.7
    shortest: float = 2e-5
    longest: float = 0.5
    readout: float = 0.01
    u_distance: float = 2.0
    u_mark: float = 0.01
    u_pitch: float = 2e-3
    field: float | None = None
    distortion: float = 0.0
    grains: float = 0.0

    @property
    def origin(self) -> tuple[float, float]:
        """Pixel coordinates of the mark: the middle of the picture."""
        return (self.sensor.columns - 1) / 2, (self.sensor.rows - 1) / 2

    def pixels(self, screen: Screen) -> PixelMap:
        """Return where the pixels truly lie on ``screen``."""
        corner = self.origin[0] ** 2 + self.origin[1] ** 2
        return field_map(self.pitch, self.origin, self.view, screen.pitch, self.distortion / corner)


@dataclass(slots=True)
class CameraFaults:
    """Switches. ``frozen`` delivers the last picture again, ``silent`` none at all.

    ``overexpose`` multiplies the exposure; ``torn`` mixes the lower half of an older picture in;
    ``stale`` seconds date frames before they were asked for.
    """

    frozen: bool = False
    silent: bool = False
    torn: bool = False
    stale: float = 0.0
    overexpose: float = 1.0


class Slide:
    """Carries one camera along the beam, so that it is several detectors in turn.

    Parameters
    ----------
    clock
        The world's time.
    distances
        Of the planes that it measures at, mm by name.
    speed
        mm/s.
    """

    def __init__(self, clock: Clock, distances: Mapping[str, float], speed: float = 5.0) -> None:
        self._clock = clock
        self._distances = dict(distances)
        self._speed = speed
        self._where = next(iter(self._distances.values()))
        self._arrival = -math.inf

    def go(self, plane: str) -> float:
        """Set off for ``plane`` and return the time of arrival, s."""
        way = abs(self._distances[plane] - self._where)
        if way > 0:
            self._arrival = max(self._clock.now(), self._arrival) + way / self._speed
            self._where = self._distances[plane]
        return self._arrival


class SimulatedCamera:
    """See :class:`autoalign.core.interfaces.Detector`.

    A picture depends on ``seed``, on the number of pictures taken before it and on the state of
    the world, and on nothing else.

    Parameters
    ----------
    name, plane
        Of the detector, and of the plane that it views.
    world, renderer
        Where everything stands, and what the light does there.
    screen
        How the screen truly stands.
    traits, stray
        How the camera is set up; light that does not belong to the beam.
    seed
        Of noise and fixed pattern.
    slide
        What carries the one camera of several planes from plane to plane.
    """

    def __init__(
        self,
        name: str,
        plane: str,
        world: World,
        renderer: Renderer,
        screen: Screen,
        traits: CameraTraits,
        stray: Stray,
        seed: int,
        slide: Slide | None = None,
    ) -> None:
        self._name = name
        self._plane = plane
        self.world = world
        self.renderer = renderer
        self.screen = screen
        self.traits = traits
        self.stray = stray
        self.slide = slide
        self.faults = CameraFaults()
        self._seed = seed
        self._speckle: Speckle | None = None
        if traits.grains:
            self._speckle = Speckle(traits.grains, np.random.default_rng([seed, 0x5BEC]))
        self._set: float | None = None
        self._pixels = traits.pixels(screen)
        self._lens = None if traits.field is None else _lens(traits)
        self._sequence = 0
        self._last: npt.NDArray[Any] | None = None
        self._cache: dict[tuple[float, ...], Image] = {}

    def __repr__(self) -> str:
        return f"SimulatedCamera({self._name!r}, plane={self._plane!r})"

    @property
    def name(self) -> str:
        """Name of the detector on this bench."""
        return self._name

    @property
    def plane(self) -> str:
        """Name of the plane at which it measures."""
        return self._plane

    @property
    def exposure(self) -> float | None:
        """The fixed exposure, s; None where every frame has its own."""
        if self._set is None and self.traits.exposure is None and self.traits.overexposure:
            world = self.world
            brightest = float(self._look(place(world.layout), world.power).max())
            wanted = self.traits.overexposure * self.traits.sensor.full_well
            self._set = self._allowed(wanted / max(brightest, 1e-9))
        return self.traits.exposure if self._set is None else self._set

    @exposure.setter
    def exposure(self, seconds: float) -> None:
        """Set one exposure for all frames, s; raise DetectorError where that cannot be."""
        if not self.traits.settable:
            raise DetectorError(f"camera {self._name}: its exposure cannot be set.")
        if not self.traits.shortest <= seconds <= self.traits.longest:
            raise DetectorError(
                f"camera {self._name}: an exposure of {seconds!r} s was asked for; it takes "
                f"{self.traits.shortest:g} to {self.traits.longest:g} s."
            )
        self._set = seconds

    def _allowed(self, exposure: float) -> float:
        return min(max(exposure, self.traits.shortest), self.traits.longest)

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Exposure]:
        """Return ``count`` frames, each begun at or after ``not_before`` (clock, s).

        Raises
        ------
        DetectorError
            Where the frames would come after ``deadline``, or do not come at all.
        """
        clock = self.world.clock
        frames: list[Exposure] = []
        for _ in range(count):
            begin = max(clock.now(), not_before, self._there())
            exposure = self._exposure(begin)
            ready = begin + exposure + self.traits.readout
            if self.faults.silent or ready > deadline:
                clock.sleep(max(deadline - clock.now(), 0.0))
                raise DetectorError(
                    f"camera {self._name}: {len(frames)} of {count} frames of plane "
                    f"{self._plane!r} had come by the deadline at {deadline:.3f} s; one takes "
                    f"{exposure + self.traits.readout:.3f} s. Allow more time or check the camera."
                )
            clock.sleep(max(ready - clock.now(), 0.0))
            frames.append(self._frame(begin, exposure))
        return frames

    def close(self) -> None:
        """Do nothing; there is no hardware to let go of."""

    def rate(self, at: float) -> Image:
        """Return electrons per second and pixel at time ``at``, free of noise."""
        world = self.world
        positions = world.positions(at)
        power = world.brightness(at)
        marks = float(hash(tuple(self.renderer.train.blemishes.items())))
        key = (*(round(p, 7) for p in positions.values()), self.stray.version, power, marks)
        if key not in self._cache:
            while len(self._cache) >= _KEPT:
                del self._cache[next(iter(self._cache))]
            self._cache[key] = self._look(world.poses(at), power)
        return self._cache[key]

    def picture(self, finer: int = 1) -> Image:
        """Return the part of the source's light on each pixel now, without noise and stray light.

        With ``finer`` above 1 each pixel is split so often along both sides, the pupil is sampled
        as much more finely, and the parts are added up: what a render is judged against.
        """
        at, sensor = self.world.clock.now(), self.traits.sensor
        poses = self._screen_poses(self.world.poses(at))
        shape = sensor.rows, sensor.columns
        if finer == 1:
            return self.renderer.image(poses, self._plane, self._pixels, shape)
        dense = Renderer(self.renderer.train, 32 * finer + 1, 80 * finer)
        rows, columns = (finer * n for n in shape)
        fine = dense.image(poses, self._plane, self._pixels.split(finer), (rows, columns))
        parts = fine.reshape(shape[0], finer, shape[1], finer)
        return np.asarray(parts.sum(axis=(1, 3)), np.float32)

    def _screen_poses(self, poses: dict[str, Pose]) -> dict[str, Pose]:
        return {**poses, self._plane: poses[self._plane].compose(self.screen.pose)}

    def _there(self) -> float:
        """Return when the slide, where there is one, has brought the camera here."""
        return -math.inf if self.slide is None else self.slide.go(self._plane)

    def _look(self, poses: dict[str, Pose], power: float) -> Image:
        plane, sensor = self._plane, self.traits.sensor
        poses = self._screen_poses(poses)
        shape = sensor.rows, sensor.columns
        flux = self.renderer.image(poses, plane, self._pixels, shape)
        flux *= np.float32(self.traits.source_rate * power)
        if self._speckle is not None:
            cast = self.renderer.cast(poses, poses[plane], self._pixels)
            if cast is not None:
                flux *= self._speckle.on(shape, self._pixels, cast.middle, cast.covariance)
        distance = self.world.layout.plane(plane).distance
        seen = self.stray.added(flux, distance, self._pixels)
        return seen if self._lens is None else seen * self._lens

    def _exposure(self, begin: float) -> float:
        traits = self.traits
        if self.exposure is not None:
            return self.exposure * self.faults.overexpose
        brightest = max(self._brightest(begin), 1e-9)
        wanted = traits.aim * traits.sensor.full_well / brightest
        return self._allowed(wanted) * self.faults.overexpose

    def _brightest(self, at: float) -> float:
        """Return the electrons per second in the brightest pixel at ``at``, s."""
        return float(self.rate(at).max())

    @cached_property
    def _maps(self) -> SensorMaps:
        return SensorMaps(self.traits.sensor, np.random.default_rng([self._seed, 0]))

    def _frame(self, begin: float, exposure: float) -> Exposure:
        traits, sensor = self.traits, self.traits.sensor
        self._sequence += 1
        rng = np.random.Generator(np.random.SFC64([self._seed, self._sequence]))
        self._maps.grow_old(begin)
        pixels = self._maps.expose(self._mean_rate(begin, exposure), exposure, rng)
        if self._last is not None:
            if self.faults.frozen:
                pixels = self._last
            elif self.faults.torn:
                pixels[sensor.rows // 2 :] = self._last[sensor.rows // 2 :]
        self._last = pixels
        begin -= self.faults.stale
        return Frame(
            pixels, traits.pitch, traits.origin, exposure, begin, begin + exposure, sensor.bits,
            self._plane, self._sequence, traits.view,
        )  # fmt: skip

    def _mean_rate(self, begin: float, exposure: float) -> Image:
        if not self.world.moving(begin):
            return self.rate(begin + exposure / 2)
        steps = (np.arange(_LOOKS_WHILE_MOVING) + 0.5) / _LOOKS_WHILE_MOVING
        measurements = [self.rate(begin + float(s) * exposure) for s in steps]
        return np.asarray(np.mean(measurements, axis=0), np.float32)


def _lens(traits: CameraTraits) -> Image:
    """Return what a lens lets through: all within its field, nothing beyond, a pixel between."""
    assert traits.field is not None
    sensor = traits.sensor
    row, column = np.ogrid[: sensor.rows, : sensor.columns]
    r = np.hypot(column - traits.origin[0], row - traits.origin[1])
    return np.asarray(np.clip(traits.field / (2 * traits.pitch) - r + 0.5, 0, 1), np.float32)
