"""Stages and cameras of the independent benches, and light that is not as it should be."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign import Axis, AxisStatus, DetectorError, Frame, VirtualClock
from autoalign.core.errors import unknown_name

__all__ = ["LIGHTS", "Camera", "Counter", "CountingStage", "Light", "figure", "lumps", "speckle"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True)
class Light:
    """What is wrong with the light, the mirror's figure or the exposure."""

    peak: float = 0.45
    """Brightest pixel of the aligned beam, in units of full scale."""
    bits: int = 12
    speckle: float = 0.0
    """Contrast."""
    lumps: float = 0.0
    """Rms of the logarithm of the far field's unevenness."""
    hole: float = 0.0
    """Radius of a dark centre, in units of the numerical aperture."""
    clipped: bool = False
    """Whether an edge in the beam cuts nearly half of it."""
    figure: float = 1.0
    """Figure error, in units of a usual one."""


LIGHTS: Mapping[str, Light] = {
    "plain": Light(),
    "saturated": Light(peak=2.5, bits=8),
    "slightly-saturated": Light(peak=1.1, bits=8),
    "speckle": Light(speckle=0.6, peak=0.12),
    "bright-speckle": Light(speckle=0.6),
    "lumpy": Light(lumps=0.5),
    "donut": Light(hole=0.5),
    "clipped": Light(clipped=True),
    "figure": Light(figure=5.0),
}


@dataclass
class Counter:
    """One motor: an axis as the program is told, and what its counts really do.

    The counter reads ``zero`` where the bench file's position is 0, and ``per_count`` (mm or rad,
    negative where it counts the other way) is what the bench file says of one count.
    """

    axis: Axis
    per_count: float
    zero: int
    scale: float = 1.0
    """True over stated size of a count."""
    lost: float = 0.0
    """True backlash, mm or rad."""
    ripple: float = 0.0
    """Amplitude of the screw's periodic error."""
    period: float = 0.5

    def __post_init__(self) -> None:
        self.origin = self.count = self.goal = self.zero
        self.began = self.until = 0.0
        self.load = 0.0

    def counts(self, position: float) -> int:
        """Return the count for a position."""
        return round(position / self.per_count) + self.zero

    def position(self, count: float) -> float:
        """Return the position that the bench file makes of ``count``."""
        return (count - self.zero) * self.per_count

    def settle(self) -> None:
        """Let the load follow the screw, which has ``lost`` motion to either side."""
        screw = self.position(self.count)
        screw += self.ripple * math.sin(2 * math.pi * screw / self.period)
        half = self.lost / 2
        self.load = min(max(self.load, screw - half), screw + half)

    @property
    def true(self) -> float:
        """How far the load is from where it is at position 0, without lost motion; mm or rad."""
        return self.scale * self.load


class CountingStage:
    """A controller of several motors, each with counts of its own."""

    def __init__(self, name: str, counters: Sequence[Counter], clock: VirtualClock) -> None:
        self.name = name
        self.axes = {c.axis.name: c.axis for c in counters}
        self._counters = {c.axis.name: c for c in counters}
        self._clock = clock

    def identity(self) -> str:
        """Return what the controller calls itself."""
        return f"counting controller {self.name}"

    def start_move(self, axis: str, target: float) -> None:
        """Start a move, which goes on with the clock."""
        counter = self._counter(axis)
        counter.axis.check(target)
        self._follow(counter)
        counter.origin, counter.goal = counter.count, counter.counts(target)
        counter.began = self._clock.now()
        way = abs(counter.position(counter.goal) - counter.position(counter.origin))
        counter.until = counter.began + 0.02 + way / (counter.axis.speed or 1.0)

    def status(self, axis: str) -> AxisStatus:
        """Return where ``axis`` is by now."""
        counter = self._counter(axis)
        self._follow(counter)
        moving = self._clock.now() < counter.until
        return AxisStatus(counter.position(counter.count), moving)

    def stop(self) -> None:
        """Stop every motor where it is."""
        for counter in self._counters.values():
            self._follow(counter)
            counter.goal, counter.until = counter.count, self._clock.now()

    def close(self) -> None:
        """Stop."""
        self.stop()

    def _counter(self, axis: str) -> Counter:
        if axis not in self._counters:
            raise unknown_name("axis", axis, self._counters, f"stage {self.name}")
        return self._counters[axis]

    def _follow(self, counter: Counter) -> None:
        now = self._clock.now()
        if now >= counter.until:
            counter.count = counter.goal
        else:
            part = (now - counter.began) / (counter.until - counter.began)
            counter.count = round(counter.origin + part * (counter.goal - counter.origin))
        counter.settle()


class Camera:
    """A camera on a screen, whose true pitch, roll and zero are near the stated ones.

    ``light`` gives points (n, 2) in the plane's axes and weights, and is asked for every frame.
    """

    def __init__(
        self, name: str, light: Callable[[], tuple[Floats, Floats]], clock: VirtualClock,
        rng: np.random.Generator, *, shape: tuple[int, int], pitch: tuple[float, float],
        view: Floats, origin: tuple[float, float], kind: Light,
        wrong: Mapping[str, float],
    ) -> None:  # fmt: skip
        self.name = self.plane = name
        self._light, self._clock, self._rng = light, clock, rng
        self._shape, self._pitch, self._view, self._origin = shape, pitch, view, origin
        self._kind, self._wrong = kind, wrong
        self._full = 1.0
        self._sequence = 0

    def expose_for(self, points: Floats, weight: Floats) -> None:
        """Set the exposure for the light of an aligned bench, once."""
        self._full = float(self.picture(points, weight).max()) / self._kind.peak

    def picture(self, points: Floats, weight: Floats) -> Floats:
        """Return light by pixel (rows, columns), spread a little by the screen; no noise."""
        roll = self._wrong["roll"]
        c, s = math.cos(roll), math.sin(roll)
        rolled = points @ np.array([[c, -s], [s, c]]) - self._wrong["zero"]
        aspect = self._wrong["aspect"]
        pitch = np.array(self._pitch) * (1 + self._wrong["pitch"])
        pitch = pitch * np.array([1 + aspect / 2, 1 - aspect / 2])
        at = rolled @ self._view / pitch + np.array(self._origin)
        rows, columns = self._shape
        k = np.floor(at + 0.5)
        seen = (k[:, 0] >= 0) & (k[:, 0] < columns) & (k[:, 1] >= 0) & (k[:, 1] < rows)
        index = (k[seen, 1] * columns + k[seen, 0]).astype(np.intp)
        light = np.bincount(index, weight[seen], rows * columns).reshape(rows, columns)
        return _spread(_spread(light))

    def acquire(self, count: int, not_before: float, deadline: float) -> list[Frame]:
        """Return ``count`` frames begun at or after ``not_before``."""
        if max(self._clock.now(), not_before) + 0.02 * count > deadline:
            raise DetectorError(
                f"detector {self.name}: {count} exposures do not fit in; wait longer."
            )
        self._clock.sleep(max(0.0, not_before - self._clock.now()))
        light = self.picture(*self._light()) / self._full
        return [self._frame(light) for _ in range(count)]

    def close(self) -> None:
        """Let go of nothing."""

    def _frame(self, light: Floats) -> Frame:
        began = self._clock.now()
        self._clock.sleep(0.02)
        top = 2**self._kind.bits - 1
        rows, columns = self._shape
        if self._kind.speckle:
            light = light * speckle(self._shape, self._kind.speckle, self._rng)
        ambient = (
            0.01 + 0.004 * np.linspace(0, 1, columns) + 0.003 * np.linspace(0, 1, rows)[:, None]
        )
        electrons = 9000.0 * (light + ambient)
        electrons = self._rng.poisson(electrons) + self._rng.normal(0, 8, self._shape)
        values = np.clip(np.round(electrons / 9000.0 * top), 0, top)
        self._sequence += 1
        return Frame(
            values.astype(np.uint8 if self._kind.bits <= 8 else np.uint16),
            pitch=self._pitch,
            origin=self._origin,
            exposure=0.02,
            started=began,
            ended=self._clock.now(),
            bit_depth=self._kind.bits,
            plane=self.plane,
            sequence=self._sequence,
            view=tuple(tuple(float(v) for v in row) for row in self._view),  # type: ignore[arg-type]
        )


def _spread(light: Floats) -> Floats:
    for _ in range(2):
        wide = np.pad(light, ((1, 1), (0, 0)))
        light = ((wide[:-2] + wide[2:]) / 4 + wide[1:-1] / 2).T
    return light


def speckle(shape: tuple[int, int], contrast: float, rng: np.random.Generator) -> Floats:
    """Return speckle of mean 1: squares of low-passed complex noise, added until it is as weak."""
    rows, columns = shape
    squared = np.fft.fftfreq(rows)[:, None] ** 2 + np.fft.fftfreq(columns)[None, :] ** 2
    low = squared < 0.15**2
    sheets = max(1, round(1 / contrast**2))
    total = np.zeros(shape)
    for _ in range(sheets):
        noise = rng.normal(size=shape) + 1j * rng.normal(size=shape)
        total += np.abs(np.fft.ifft2(np.fft.fft2(noise) * low)) ** 2
    return total / total.mean()


def lumps(rms: float, aperture: float, rng: np.random.Generator) -> Callable[[Floats], Floats]:
    """Return an unevenness of the far field: the exponential of a sum of waves across the cone."""
    waves = rng.normal(0, 3.5 / aperture, (8, 2))
    phases = rng.uniform(0, 2 * np.pi, 8)
    size = rms * math.sqrt(2 / 8)

    def weight(sines: Floats) -> Floats:
        return np.exp(size * np.cos(sines @ waves.T + phases).sum(axis=1))

    return weight


def figure(rms: float, rng: np.random.Generator) -> Callable[[Floats], Floats]:
    """Return slope errors of ``rms`` (rad, both directions together) of a polished surface.

    The surface is a polynomial with every power from 2 to 5, and a ripple of a tenth of the slope.
    """
    powers = [(i, n - i) for n in range(2, 6) for i in range(n + 1)]
    sizes = [rng.normal() / (i + j) ** 2 for i, j in powers]
    wave, phase = rng.uniform(10, 20, 2), rng.uniform(0, 2 * np.pi)

    def raw(at: Floats) -> Floats:
        u, v = at.T
        slope = np.zeros_like(at)
        up = [np.ones_like(u)]
        vp = [np.ones_like(v)]
        for _ in range(5):
            up.append(up[-1] * u)
            vp.append(vp[-1] * v)
        for (i, j), size in zip(powers, sizes, strict=True):
            if i:
                slope[:, 0] += size * i * up[i - 1] * vp[j]
            if j:
                slope[:, 1] += size * j * up[i] * vp[j - 1]
        return slope

    grid = np.stack(np.meshgrid(np.linspace(-1, 1, 41), np.linspace(-1, 1, 41)), -1).reshape(-1, 2)
    grid = grid[np.sum(grid**2, axis=1) <= 1]
    norm = rms / math.sqrt(float(np.mean(np.sum(raw(grid) ** 2, axis=1))))

    def slopes(at: Floats) -> Floats:
        return norm * raw(at) + 0.1 * rms * np.sin(at @ wave + phase)[:, None] * wave / 20

    return slopes
