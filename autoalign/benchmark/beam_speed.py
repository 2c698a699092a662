"""How fast a frame is measured, side by side with general-purpose libraries, in one run.

Prints ratios, not times to hold anyone to: the same frame, processor time of one thread, best of
many turns. Run it with ``python -m autoalign.benchmark.beam_speed``.
"""

from __future__ import annotations

import time
from collections.abc import Callable
from dataclasses import dataclass
from importlib import import_module
from typing import Any

import numpy as np
import numpy.typing as npt
from threadpoolctl import threadpool_limits

from autoalign.beam.measure import measure_beam
from autoalign.frames import Frame

__all__ = ["Timing", "measure_speed", "speed_frame"]

Call = Callable[[], Any]


@dataclass(frozen=True, slots=True)
class Timing:
    """Seconds per call of :func:`measure_beam` and of each library that is installed, by name."""

    frame: str
    ours: float
    others: dict[str, float]

    def lines(self) -> list[str]:
        """Return one line for us and one ratio for each library."""
        found = [f"{self.frame}: measure_beam {1e3 * self.ours:.2f} ms"]
        for name, seconds in self.others.items():
            ratio = self.ours / seconds
            said = f"{ratio:.1f} × its time" if ratio >= 1 else f"{1 / ratio:.0f} × faster"
            found.append(f"  against {name} ({1e3 * seconds:.2f} ms): {said}")
        return found


def speed_frame(
    shape: tuple[int, int], width: float, turn: float = 0.0, bits: int = 8, seed: int = 0
) -> Frame:
    """Return a noisy Gaussian beam, ``width`` × 0.75 ``width`` pixels where turned, else round."""
    rng = np.random.default_rng(seed)
    y, x = np.ogrid[: shape[0], : shape[1]]
    dx, dy = x - 0.503 * shape[1], y - 0.498 * shape[0]
    u = dx * np.cos(turn) + dy * np.sin(turn)
    v = dy * np.cos(turn) - dx * np.sin(turn)
    minor = 0.75 * width if turn else width
    top = 2**bits - 1
    light = 0.7 * top * np.exp(-8 * (u / width) ** 2 - 8 * (v / minor) ** 2)
    gain = top / 10000
    values = rng.poisson(light / gain) * gain + rng.normal(0.03 * top, 1.2, shape)
    kind: type[np.unsignedinteger[Any]] = np.uint8 if bits <= 8 else np.uint16
    pixels: npt.NDArray[Any] = np.rint(values).clip(0, top).astype(kind)
    return Frame(pixels, bit_depth=bits)


def measure_speed(frame: Frame, name: str, rounds: int = 40) -> Timing:
    """Time one frame; slow libraries get fewer rounds."""
    with threadpool_limits(1):
        libraries = _libraries(frame)
        ours: Call = lambda: measure_beam(frame)  # noqa: E731
        best = dict.fromkeys([*libraries, "ours"], np.inf)
        for k in range(rounds):
            for library, call in {"ours": ours, **libraries}.items():
                if k == 0 or best[library] < 0.05 or k < 3:
                    best[library] = min(best[library], _seconds(call))
    return Timing(name, best.pop("ours"), best)


def _libraries(frame: Frame) -> dict[str, Call]:
    calls: dict[str, Call] = {}
    pixels = frame.pixels
    cv2 = _optional("cv2")
    if cv2 is not None:
        cv2.setNumThreads(1)
        calls["cv2.moments"] = lambda: cv2.moments(pixels)
    morphology = _optional("photutils.morphology")
    if morphology is not None:
        floats = pixels.astype(np.float64)

        def properties() -> float:
            source = morphology.data_properties(floats)
            values = (source.centroid, source.covariance, source.orientation)
            return float(np.sum(np.asarray(values[0])))

        calls["photutils data_properties"] = properties
    return calls


def _optional(name: str) -> Any:
    try:
        return import_module(name)
    except ImportError:
        return None


def _seconds(call: Call) -> float:
    start = time.thread_time()
    call()
    return time.thread_time() - start


def main() -> None:
    """Print the ratios for round and turned beams on 1.3 and 4 Mpx."""
    frames = {
        "1280 × 1024 uint8, round, 300 px": speed_frame((1024, 1280), 300),
        "1280 × 1024 uint8, round, 60 px": speed_frame((1024, 1280), 60),
        "1280 × 1024 uint8, turned, 300 px": speed_frame((1024, 1280), 300, 0.4),
        "2048 × 2048 12 bit, round, 600 px": speed_frame((2048, 2048), 600, bits=12),
    }
    for name, frame in frames.items():
        print("\n".join(measure_speed(frame, name).lines()))  # noqa: T201


if __name__ == "__main__":
    main()
