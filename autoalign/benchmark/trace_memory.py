"""Memory of the exact trace: what it needs beyond the rays does not grow with their number."""

from __future__ import annotations

import tracemalloc

import numpy as np

from autoalign.benchmark.timing import Figure, Section, figure
from autoalign.benchmark.trace_speed import LAYOUT, OFF
from autoalign.optics.layout import Source
from autoalign.optics.pose import place
from autoalign.optics.sources import cone
from autoalign.optics.trace import CHUNK, trace_to_planes

__all__ = ["measure_memory"]

_SPOKES = 256


def measure_memory(chunks: tuple[int, ...] = (2, 8, 64)) -> Section:
    """Measure the largest memory that a trace of ``chunks`` of rays to two planes takes.

    Chunk by chunk, the centroid at the planes is summed up: nothing is kept of a chunk.
    """
    peaks = [_peak(CHUNK * n) / 1e6 for n in chunks]
    found: list[Figure] = [
        figure(f"{CHUNK * n} rays", [peak], "MB") for n, peak in zip(chunks, peaks, strict=True)
    ]
    grown = peaks[-1] / peaks[0]
    found.append(
        figure(f"memory, {chunks[-1] // chunks[0]} times the rays over the fewest", [grown], "×")
    )
    remark = f"Peak of what is allocated beyond the rays themselves, in chunks of {CHUNK} rays."
    return Section("Memory of the trace", tuple(found), (remark,))


def _peak(count: int) -> int:
    """Return the most memory, bytes, that tracing ``count`` rays takes beyond the rays."""
    assert isinstance(LAYOUT.light, Source)
    rays = cone(LAYOUT.light, count // _SPOKES, _SPOKES, "even")
    poses, total = place(LAYOUT, OFF), np.zeros(3)
    tracemalloc.start()
    try:
        before, _ = tracemalloc.get_traced_memory()
        for part in rays.chunks(CHUNK):
            planes, out = trace_to_planes(LAYOUT, poses, part)
            x, y, _ = planes["far"]
            total += [out.power.sum(), out.power @ x, out.power @ y]
        return tracemalloc.get_traced_memory()[1] - before
    finally:
        tracemalloc.stop()
