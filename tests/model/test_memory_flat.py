"""What ten thousand looks leave behind in the computer's memory: nothing."""

from __future__ import annotations

import gc
import json
import logging
import os
from pathlib import Path

import numpy as np
import pytest

from autoalign.diagnosis import estimator as knowledge
from autoalign.strategies.model import Model

LOG = logging.getLogger("autoalign.campaign")
STATM, PAGE = Path("/proc/self/statm"), 4096
LOOKS = int(os.environ.get("AUTOALIGN_CAMPAIGN_LOOKS", "10000"))


def resident() -> float:
    """Memory of this process that is in use, MB."""
    return int(STATM.read_text().split()[1]) * PAGE / 1e6


def state() -> tuple[float, int]:
    """Resident memory, MB, and how many objects the collector knows, after a collection."""
    gc.collect()
    return resident(), len(gc.get_objects())


@pytest.mark.campaign
@pytest.mark.timeout(3600)
@pytest.mark.skipif(not STATM.exists(), reason="reads what Linux tells")
def test_memory_is_flat_over_ten_thousand_looks(make_bench, run_model):
    """A bench that drifts and is aligned again with what is remembered, over and over.

    From the first tenth to the end: no more objects, no more than 2 MB, and a memory to save that
    is no larger.
    """
    bench, measurements, memory = make_bench(1), 0, None
    marks: list[tuple[int, float, int, int]] = []
    while measurements < LOOKS:
        bench.zero = bench.zero * 0.9
        bench.drift()
        model = Model()
        run = run_model(bench, model, memory)
        memory = json.loads(json.dumps(model.memory or memory))
        bench.start = run.last.positions
        measurements += run.measurements
        if measurements >= (len(marks) + 1) * LOOKS / 10:
            marks.append((measurements, *state(), len(json.dumps(memory))))
            LOG.info("%d looks: %.1f MB, %d objects, memory %d bytes", *marks[-1])
    _, first, objects, size = marks[0]
    _, last, end, saved = marks[-1]
    assert last - first < 2.0
    assert end - objects < 200
    assert saved < 1.1 * size


@pytest.mark.slow
def test_a_search_keeps_the_latest_looks_only(make_bench, monkeypatch):
    """Older looks are forgotten, so that the time for each stays bounded too."""
    monkeypatch.setattr(knowledge, "MOST_LOOKS", 3)
    bench = make_bench(1)
    know = knowledge.Knowledge(bench.nominal, bench.axes, bench.spec)
    places = [bench.start * (1 - 0.01 * k) for k in range(5)]
    for place in places:
        know.learn(place, bench.look(place).profiles)
    assert np.allclose([look.positions for look in know.measurements], places[2:])
