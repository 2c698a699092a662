"""How fast a frame is measured, side by side with general-purpose libraries, in one run."""

from __future__ import annotations

from functools import partial
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.beam.frame.analyse import measure_beam
from autoalign.benchmark.timing import (
    Call,
    Figure,
    Floats,
    Section,
    figure,
    optional,
    ratio,
    take_turns,
)
from autoalign.core.frames import Frame

__all__ = ["measure_measuring", "speed_frame"]


def speed_frame(
    shape: tuple[int, int],
    width: float,
    ellipticity: float = 1.0,
    turn: float = 0.0,
    bits: int = 8,
    seed: int = 0,
) -> Frame:
    """Return a noisy Gaussian beam, ``width`` by ``ellipticity`` times that, in pixels."""
    rng = np.random.default_rng(seed)
    y, x = np.ogrid[: shape[0], : shape[1]]
    dx, dy = x - 0.503 * shape[1], y - 0.498 * shape[0]
    u = dx * np.cos(turn) + dy * np.sin(turn)
    v = dy * np.cos(turn) - dx * np.sin(turn)
    minor = ellipticity * width
    top = 2**bits - 1
    light = 0.7 * top * np.exp(-8 * (u / width) ** 2 - 8 * (v / minor) ** 2)
    gain = top / 10000
    values = rng.poisson(light / gain) * gain + rng.normal(0.03 * top, 1.2, shape)
    kind: type[np.unsignedinteger[Any]] = np.uint8 if bits <= 8 else np.uint16
    pixels: npt.NDArray[Any] = np.rint(values).clip(0, top).astype(kind)
    return Frame(pixels, bit_depth=bits)


FRAMES = {
    "1280 × 1024, 8 bit, 300 px": ((1024, 1280), 300.0, 1.0, 0.0, 8),
    "1280 × 1024, 8 bit, 60 px": ((1024, 1280), 60.0, 1.0, 0.0, 8),
    "1280 × 1024, 8 bit, 300 × 225 px": ((1024, 1280), 300.0, 0.75, 0.0, 8),
    "1280 × 1024, 8 bit, 300 × 225 px, turned": ((1024, 1280), 300.0, 0.75, 0.4, 8),
    "2048 × 2048, 12 bit, 600 px": ((2048, 2048), 600.0, 1.0, 0.0, 12),
}
"""Shape, width, ellipticity, turn and bits of what is measured."""


def measure_measuring(rounds: int = 25) -> Section:
    """Measure the whole analysis of a frame against what others do with its pixels."""
    found: list[Figure] = []
    ours: dict[tuple[int, int], Floats] = {}
    absent: set[str] = set()
    for name, (shape, width, ellipticity, turn, bits) in FRAMES.items():
        frame = speed_frame(shape, width, ellipticity, turn, bits)
        libraries = _libraries(frame)
        absent |= {"cv2.moments", "photutils data_properties"} - set(libraries)
        spent = take_turns({"this library": partial(measure_beam, frame), **libraries}, rounds)
        ours.setdefault(shape, spent["this library"])
        found += [figure(f"{name}, {k}", 1e3 * s, "ms") for k, s in spent.items()]
        found += [
            ratio(f"{name}, speed over that of {k}", spent[k], spent["this library"])
            for k in libraries
        ]
    small, large = ours
    more = large[0] * large[1] / (small[0] * small[1])
    found.append(
        ratio("time per pixel, 4.2 over 1.3 million pixels", ours[large] / more, ours[small])
    )
    remarks = [
        _HOW,
        *(f"{name} is not installed: nothing to compare with." for name in sorted(absent)),
    ]
    return Section("Full analysis of a frame", tuple(found), tuple(remarks))


_HOW = (
    "This library finds background, noise, window, moments, their uncertainties and flags; "
    "cv2.moments adds up raw pixels; data_properties takes second moments without background or "
    "window, and its table adds flux, extremes and outline."
)


def _libraries(frame: Frame) -> dict[str, Call]:
    calls: dict[str, Call] = {}
    pixels = frame.pixels
    cv2 = optional("cv2")
    if cv2 is not None:
        cv2.setNumThreads(1)
        calls["cv2.moments"] = lambda: cv2.moments(pixels)
    morphology = optional("photutils.morphology")
    if morphology is not None:
        floats = pixels.astype(np.float64)

        def properties() -> tuple[Any, ...]:
            source = morphology.data_properties(floats)
            return source.centroid, source.covariance, source.orientation

        calls["photutils data_properties"] = properties
        calls["photutils data_properties, its table"] = lambda: morphology.data_properties(
            floats
        ).to_table()
    return calls
