"""The watch of a bench that has meters and no camera."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path

import pytest
from autoalign_simulators import benches

from autoalign.bench import Bench
from autoalign.core.errors import DetectorError
from autoalign.core.interfaces import Reading
from autoalign.run.guard import Latch
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.watch.events import Decision, Step
from autoalign.watch.policy import Policy
from autoalign.watch.service import Watch
from autoalign.watch.state import Mode

pytestmark = pytest.mark.slow


@dataclass
class Meter:
    """Reads how far ``source.x`` stands from 0.4 mm; nothing in the dark, an error if broken."""

    bench: Bench
    name: str = "meter"
    plane: str = ""
    dark: bool = False
    broken: bool = False

    def acquire(self, count: int, not_before: float, deadline: float) -> Sequence[Reading]:
        """Return ``count`` readings of where the axis stands now."""
        if self.broken:
            raise DetectorError("meter: no answer before the deadline.")
        off = self.bench.positions()["source.x"] - 0.4
        values = {} if self.dark else {"off": off}
        return [Reading(values, dict.fromkeys(values, 1e-4), started=not_before)] * count

    def close(self) -> None:
        """Let go."""


def metered() -> tuple[Bench, Meter]:
    """A collimator whose cameras were replaced by a meter."""
    bench = benches.collimator(seed=1)
    meter = Meter(bench)
    bench.detectors, bench.layout = {"meter": meter}, None
    bench.spec = Spec((QuantityTerm("meter.off", 0.05, unit="mm"),))
    bench.locked = tuple(n for n in bench.axes if n != "source.x")
    return bench, meter


def watched(bench: Bench, folder: Path, measurements: int, into: list[Decision]) -> Watch:
    """Watch for so many looks; decisions go into a list."""
    watch = Watch(
        bench,
        ResponseMatrix,
        folder,
        follow=lambda _, d: into.append(d),
        policy=Policy(steady=2, outage=60.0),
    )
    watch.run(measurements=measurements)
    return watch


def test_a_bench_of_meters_is_kept_in_spec(tmp_path: Path) -> None:
    """Numbers are looks as frames are: it realigns, and then stands."""
    bench, _ = metered()
    made: list[Decision] = []
    watch = watched(bench, tmp_path, 4, made)
    assert [d.step for d in made] == [Step.CONFIRM, Step.REALIGN, *[Step.STAND] * 3]
    assert watch.summary.in_spec == 2
    assert bench.positions()["source.x"] == pytest.approx(0.4, abs=0.05)


def test_meters_that_read_nothing_hold_and_go_on_by_themselves(tmp_path: Path) -> None:
    """Meters that answer are not broken, however long there is nothing to read."""
    bench, meter = metered()
    made: list[Decision] = []
    watch = watched(bench, tmp_path, 3, made)
    meter.dark = True
    watch.run(measurements=8)
    assert watch.guard.latch is Latch.HOLD
    assert "nothing could be seen (not measured: meter.off)" in made[-1].reason
    meter.dark = False
    assert watch.run(measurements=11).state is Mode.ENDED


def test_a_meter_that_stays_broken_ends_in_safe(tmp_path: Path) -> None:
    """As with a camera."""
    bench, meter = metered()
    watch = watched(bench, tmp_path, 3, [])
    meter.broken = True
    assert watch.run(measurements=20).state is Mode.LATCHED
    assert "meter: no answer before the deadline" in watch.summary.reason
