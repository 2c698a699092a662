"""Light as benches have it on bad days: speckle, lumps, rings, cut pupils, saturated frames, age.

Two ingredients make all of it: a factor on the light over the pupil (:attr:`.Glow.shape`), and what
a camera makes of the light. The factor is part of the truth: an uneven pupil has other moments, and
a bench is in spec by those. Speckle, saturation and age are not: they change from one exposure,
camera or day to the next about a mean that stays, and the truth is that mean.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, fields, replace
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError, unknown_name

__all__ = ["KINDS", "PupilShape", "UglyLight"]

Floats = npt.NDArray[np.float64]

_EDGE = 0.08
"""Softness of an edge in the pupil, in units of the light's own radius: no edge is in focus."""


@dataclass(frozen=True, slots=True)
class PupilShape:
    """A smooth factor on the light over the pupil.

    Coordinates are in units of the light's own radius: sines over the NA of a source, places over
    half the diameter of a beam.

    Parameters
    ----------
    lumps
        (n, 4) Gaussian lumps and dents: x, y, 1/√e radius, and relative height (−1 for darkness).
    hole
        Radius of the dark middle; 0 for none.
    edge, azimuth
        All is dark beyond the straight edge at this distance from the middle, towards this
        direction, rad; infinite for none.
    """

    lumps: tuple[tuple[float, float, float, float], ...] = ()
    hole: float = 0.0
    edge: float = math.inf
    azimuth: float = 0.0

    def __call__(self, p: Floats, q: Floats) -> Floats | float:
        """Return the factor at ``p``, ``q``; plain 1 where nothing is asked for."""
        factor: Floats | float = 1.0
        if self.lumps:
            lumps: Any = sum(
                height * np.exp(-((p - x) ** 2 + (q - y) ** 2) / (2 * size**2))
                for x, y, size, height in self.lumps
            )
            factor = np.logaddexp(0.0, 8 * (0.95 + lumps)) / 8 + 0.05  # never quite dark
        if self.hole > 0:
            factor = factor * _beyond(np.hypot(p, q) - self.hole)
        if math.isfinite(self.edge):
            across = p * math.cos(self.azimuth) + q * math.sin(self.azimuth)
            factor = factor * _beyond(self.edge - across)
        return factor


@dataclass(frozen=True, slots=True, kw_only=True)
class UglyLight:
    """What is wrong with the light of a simulated bench and with how its cameras take it.

    The defaults are a bench with nothing of this kind. Directions, lumps and grains are drawn from
    the bench's seed.

    Parameters
    ----------
    lumps
        Standard deviation of the relative heights of six lumps and dents in the pupil.
    hole
        Radius of the dark middle of the pupil, as a part of the light's own radius (NA, half beam
        diameter).
    cut
        Part of the light's own diameter that is cut off on one side of the pupil.
    figure
        Factor on the figure error of every mirror.
    grains
        Speckle: grains across the beam's width, 0 for none. The pattern is fully developed (an
        exponential distribution of intensities), belongs to the beam, moves and grows with it, and
        is another one at each camera.
    overexposure
        The cameras expose for one fixed time, at which the brightest pixel of the aligned bench
        comes to this many times the range; 0 sets the time anew for every frame, without
        saturation.
    settable
        Such an exposure can be set: ``camera.exposure = seconds``.
    bits
        Bits of a pixel value.
    fading
        Part of its power that the light loses per minute.
    new_hot_pixels
        Hot pixels that each camera gains per minute.
    """

    lumps: float = 0.0
    hole: float = 0.0
    cut: float = 0.0
    figure: float = 1.0
    grains: float = 0.0
    overexposure: float = 0.0
    settable: bool = False
    bits: int = 12
    fading: float = 0.0
    new_hot_pixels: float = 0.0

    def __post_init__(self) -> None:
        for name, (low, high) in _ALLOWED.items():
            value = getattr(self, name)
            if not low <= value <= high:
                raise UsageError(
                    f"simulated light: {name} = {value!r} must be between {low:g} and {high:g}."
                )

    @classmethod
    def of(cls, light: UglyLight | str | None) -> UglyLight:
        """Return ``light``, or what a name of :data:`KINDS` means; "ring + speckle" is both.

        Raises
        ------
        UnknownNameError
            For a name that does not exist.
        UsageError
            Where two names set the same thing.
        """
        if isinstance(light, UglyLight):
            return light
        asked: dict[str, Any] = {}
        for name in _split(light or ""):
            if name not in KINDS:
                raise unknown_name("light", name, KINDS, "simulated bench")
            for key, value in KINDS[name].items():
                if asked.setdefault(key, value) != value:
                    raise UsageError(
                        f"simulated light {light!r}: its parts disagree about {key}; leave one out."
                    )
        return replace(cls(), **asked)

    def pupil(self, rng: np.random.Generator) -> PupilShape:
        """Draw the factor on the light over the pupil."""
        azimuth = float(rng.uniform(0, 2 * math.pi))
        lumps: list[tuple[float, float, float, float]] = []
        for _ in range(6):
            away, turn = 0.8 * math.sqrt(rng.uniform()), rng.uniform(0, 2 * math.pi)
            size, height = rng.uniform(0.2, 0.4), self.lumps * rng.normal()
            place = float(away * math.cos(turn)), float(away * math.sin(turn))
            lumps.append((*place, float(size), float(height)))
        edge = 1 - 2 * self.cut if self.cut else math.inf
        return PupilShape(tuple(lumps) if self.lumps else (), self.hole, edge, azimuth)


KINDS: Mapping[str, Mapping[str, Any]] = {
    "lumps": {"lumps": 0.8},
    "ring": {"hole": 0.5},
    "half-clipped": {"cut": 0.5},
    "rough-figure": {"figure": 5.0},
    "speckle": {"grains": 16.0},
    "saturated": {"overexposure": 2.0, "bits": 8, "settable": False},
    "overexposed": {"overexposure": 2.0, "bits": 8, "settable": True},
    "ageing": {"fading": 0.5, "new_hot_pixels": 600.0},
}
"""Ugly light by name, each as it is met; "saturated" leaves no choice of the exposure."""

_ALLOWED = {
    "lumps": (0, 3), "hole": (0, 0.95), "cut": (0, 0.95), "figure": (0, 100), "grains": (0, 100),
    "overexposure": (0, 1000), "bits": (1, 16), "fading": (0, 10), "new_hot_pixels": (0, 1e4),
}  # fmt: skip
assert set(_ALLOWED) | {"settable"} == {f.name for f in fields(UglyLight)}


def _split(light: str) -> Iterable[str]:
    return [name.strip() for name in light.split("+") if name.strip()]


def _beyond(distance: Floats) -> Floats:
    """Return a soft step: 0 well below, 1 well above ``distance`` 0."""
    return np.asarray(0.5 * (1 + np.tanh(distance / _EDGE)))
