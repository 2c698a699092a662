"""What measures speed and memory measures something, and says what it could not."""

from __future__ import annotations

import math
from pathlib import Path

import numpy as np
import pytest
from autoalign_simulators.collimator import simulate

from autoalign.benchmark import trace_speed
from autoalign.benchmark.beam_speed import speed_frame
from autoalign.benchmark.journal_latency import measure_journal
from autoalign.benchmark.render_speed import measure_rendering
from autoalign.benchmark.timing import figure, ratio, take_turns
from autoalign.benchmark.trace_memory import measure_memory
from autoalign.core.interfaces import Simulation


class Ticks:
    """A clock that calls move on by themselves."""

    def __init__(self) -> None:
        self.now = 0.0

    def __call__(self) -> float:
        """Return the time."""
        return self.now

    def takes(self, seconds: float) -> None:
        """Let time pass."""
        self.now += seconds


def test_turns_are_taken_and_preparing_is_not_counted() -> None:
    """Both get every round, the slow one a fifth; what is done before a call costs it nothing."""
    clock = Ticks()
    spent = take_turns(
        {"fast": lambda: clock.takes(0.01), "slow": lambda: clock.takes(0.5)},
        20,
        {"fast": lambda: clock.takes(7.0)},
        clock,
    )
    assert spent["fast"] == pytest.approx(np.full(20, 0.01))
    assert spent["slow"] == pytest.approx(np.full(4, 0.5))
    times = ratio("slow over fast", spent["slow"], spent["fast"])
    assert (times.value, times.repeats, times.unit) == (pytest.approx(50.0), 4, "×")


def test_a_figure_is_a_median_with_its_quartiles() -> None:
    """One wild value, as a busy machine gives, moves neither."""
    found = figure("x", [1.0, 2.0, 3.0, 4.0, 1000.0], "s")
    assert (found.low, found.value, found.high) == (2.0, 3.0, 4.0)


def test_both_traces_are_the_same_trace() -> None:
    """The two that are timed against each other agree to 1e-9 mm, and say so."""
    pytest.importorskip("batoid")
    section = trace_speed.measure_trace((500,), 2)
    names = [f.name for f in section.figures]
    assert len(names) == 3
    assert "batoid" in names[1]
    (remark,) = section.remarks
    assert float(remark.split()[-2]) < 1e-9


def test_a_library_that_is_missing_is_said_to_be(monkeypatch: pytest.MonkeyPatch) -> None:
    """Without the other tracer the own figure is there, and a sentence in place of the ratio."""
    monkeypatch.setattr(trace_speed, "optional", lambda _: None)
    section = trace_speed.measure_trace((500,), 2)
    assert len(section.figures) == 1
    assert "batoid is not installed" in section.remarks[0]


def test_memory_of_the_trace_stays_within_a_chunk() -> None:
    """Four times the rays need a tenth more at the very most."""
    *_, grown = measure_memory((2, 8)).figures
    assert 0.9 < grown.value < 1.1


@pytest.mark.slow
def test_rendering_is_measured_and_its_error_stated() -> None:
    """Finite figures of both planes; the error is some part of a per cent, and not nothing."""
    section = measure_rendering(simulate, 2, 2, pixels=128)
    by_name = {f.name: f for f in section.figures}
    assert "128 × 128, 12 bit" in section.title
    assert all(math.isfinite(f.value) and f.value > 0 for f in section.figures)
    assert 1e-3 < by_name["plane near, rms error"].value < 1.0


def test_a_simulation_without_pictures_has_no_error_to_state() -> None:
    """A third party's simulation need not render twice: then that is what is said."""

    class Bare:
        """A simulation that offers no picture."""

        def __init__(self, inner: Simulation) -> None:
            self.clock, self.stages = inner.clock, inner.stages
            self.detectors, self.truth = inner.detectors, inner.truth

        def serve(self, stage: str, link: str) -> str:
            """Never called."""
            raise NotImplementedError(stage, link)

        def close(self) -> None:
            """Nothing to close."""

    section = measure_rendering(lambda seed: Bare(simulate(seed, pixels=64)), 1)
    assert len(section.figures) == 4
    assert "its error is not known" in section.remarks[1]


def test_journal_is_measured_where_it_is_asked_to_be_and_leaves_nothing(tmp_path: Path) -> None:
    """Three figures, all of them times; the folder is as empty as before."""
    intent, raw, times = measure_journal(tmp_path, 3).figures
    assert min(intent.value, raw.value, times.value) > 0
    assert (intent.unit, raw.unit, times.unit) == ("ms", "ms", "×")
    assert not list(tmp_path.iterdir())


def test_frames_that_are_timed_hold_the_beam_that_their_name_says() -> None:
    """Width, turn and bits of the sample frames."""
    from autoalign import measure_beam  # noqa: PLC0415

    seen = measure_beam(speed_frame((256, 320), 60.0, 0.75, 0.4))
    assert seen.width_major == pytest.approx(60.0, rel=0.03)
    assert seen.width_minor == pytest.approx(45.0, rel=0.03)
    assert seen.azimuth == pytest.approx(0.4, abs=0.05)
    assert speed_frame((64, 64), 20.0, bits=12).pixels.max() > 255
