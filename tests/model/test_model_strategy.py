"""The strategy on the moment-level bench: looks to spec, wrong benches, memory, lost beams."""

from __future__ import annotations

import json

import numpy as np
import pytest

from autoalign.model.predict import BenchModel
from autoalign.strategies.model import Model, search_positions


@pytest.mark.slow
def test_alignment_in_about_three_looks(make_bench, run_model):
    """Median 3, at most 5 looks, every one truly in spec, on benches with errors everywhere."""
    measurements = []
    for seed in range(12):
        bench = make_bench(seed)
        run = run_model(bench)
        assert run.last.in_spec
        assert bench.truly_in_spec(run.last.positions)
        measurements.append(run.measurements)
    assert np.median(measurements) <= 3
    assert max(measurements) <= 5


@pytest.mark.slow
@pytest.mark.parametrize("wrong", [{"rho": 1.02}, {"rho": 0.98}, {"far": 1.05}])
def test_wrong_numbers_in_the_bench_file_do_not_matter(make_bench, run_model, wrong):
    """With ρ off by 2 % or a plane off by 5 % the beam still comes into spec in a few looks."""
    for seed in range(3):
        bench = make_bench(seed, **wrong)
        run = run_model(bench)
        assert run.measurements <= 5
        assert bench.truly_in_spec(run.last.positions)


@pytest.mark.slow
@pytest.mark.parametrize(
    ("wrong", "words"),
    [
        ({"flip": 0}, "source.x: runs backwards"),
        ({"flip": 2}, "source.z: runs backwards"),
        ({"flip": 4}, "mirror.tilt: runs backwards"),
        ({"swap": (0, 1)}, "source.x and source.y are exchanged"),
        ({"swap": (3, 4)}, "mirror.tip and mirror.tilt are exchanged"),
    ],
)
def test_wrong_wire_is_named_and_allowed_for(make_bench, run_model, wrong, words):
    """A reversed axis or two exchanged ones: named in words, in spec, never out of limits."""
    model = Model()
    bench = make_bench(1, **wrong)
    run = run_model(bench, model)
    assert words in str(model.findings[0])
    assert bench.truly_in_spec(run.last.positions)
    low, high = (np.array([getattr(a, k) for a in bench.axes]) for k in ("lower", "upper"))
    assert all(np.all((o.positions >= low) & (o.positions <= high)) for o in run.seen)
    assert model.calibration is None or "version" in model.calibration


@pytest.mark.slow
def test_remembered_bench_takes_one_move_after_drift(make_bench, run_model):
    """With what it remembers (through JSON), a drifted bench needs at most 3 looks, mostly 2."""
    measurements = []
    for seed in range(6):
        bench = make_bench(seed)
        model = Model()
        first = run_model(bench, model)
        calibration = json.loads(json.dumps(model.calibration))
        bench.drift()
        bench.start = first.last.positions
        run = run_model(bench, Model(), calibration)
        assert bench.truly_in_spec(run.last.positions)
        measurements.append(run.measurements)
    assert np.median(measurements) <= 2
    assert max(measurements) <= 3


def test_foreign_memory_is_not_used(make_bench, run_model):
    """Memory of another version or of other axes is refused in words, and nothing breaks."""
    bench = make_bench(0)
    model = Model()
    run = run_model(bench, model, {"version": 99})
    assert run.last.in_spec
    assert "not used" in model.knowledge.remark


def test_far_plane_dark_at_the_start(make_bench):
    """Without light on the far plane the near one leads; the far light comes back on the way."""
    bench = make_bench(5)
    bench.dark = {"far"}
    problem = bench.problem(bench.start)
    bench.dark = set()
    proposals = Model().propose(problem)
    answer = bench.look(problem.clip(next(proposals)))
    for _ in range(6):
        if answer.in_spec:
            break
        answer = bench.look(problem.clip(proposals.send(answer)))
    assert bench.truly_in_spec(answer.positions)


def test_lost_beam_search_is_bounded_and_likeliest_first(make_bench):
    """The net stays in limits, is finite, goes outwards in likelihood, and covers the region."""
    bench = make_bench(0)
    model = BenchModel(bench.nominal, bench.axes)
    low = np.array([a.lower for a in bench.axes])
    high = np.array([a.upper for a in bench.axes])
    positions = search_positions(model, np.zeros(6), low, high)
    assert 0 < len(positions) <= 400
    assert np.all((positions >= low) & (positions <= high))
    size = np.abs(positions / (high - low)).max(axis=1)
    assert size[:6].max() <= size[-6:].max()


def test_gives_up_when_there_is_no_light_anywhere(make_bench):
    """In the dark the search ends after the number of probes that was stated, and says so."""
    bench = make_bench(0)
    bench.dark = {"near", "far"}
    problem = bench.problem(bench.start)
    model = Model()
    proposals = model.propose(problem)
    count, answer = 0, None
    while True:
        try:
            x = next(proposals) if answer is None else proposals.send(answer)
        except StopIteration:
            break
        answer, count = bench.look(problem.clip(x)), count + 1
    (found,) = model.findings
    assert (found.code, found.numbers["places"].value) == ("no-light", count)


@pytest.mark.slow
def test_renaming_and_reordering_axes_changes_only_the_labels(make_bench):
    """The first move is the same motion of the hardware, whatever the order of the axes."""
    bench = make_bench(3)
    problem = bench.problem(bench.start)
    plain = next(Model().propose(problem))
    order = [3, 0, 5, 1, 4, 2]
    from dataclasses import replace  # noqa: PLC0415

    first = replace(problem.first, positions=problem.first.positions[order])
    mixed = replace(
        problem, axes=tuple(bench.axes[k] for k in order), start=problem.start[order], first=first
    )
    assert np.allclose(next(Model().propose(mixed)), plain[order], rtol=1e-4, atol=1e-6)


@pytest.mark.slow
def test_rezeroing_an_axis_changes_only_its_readings(make_bench):
    """Limits and readings shifted by 7 mm: the move is the same, shifted by 7 mm."""
    from dataclasses import replace  # noqa: PLC0415

    bench = make_bench(3)
    problem = bench.problem(bench.start)
    plain = next(Model().propose(problem))
    shift = np.array([7.0, 0, 0, 0, 0, 0])
    axes = (replace(bench.axes[0], lower=3.0, upper=11.0), *bench.axes[1:])
    first = replace(problem.first, positions=problem.first.positions + shift)
    moved = replace(problem, axes=axes, start=problem.start + shift, first=first)
    assert np.allclose(next(Model().propose(moved)), plain + shift, rtol=1e-6, atol=1e-7)
