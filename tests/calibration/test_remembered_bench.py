"""What a memory is good for: after drift, one move."""

from __future__ import annotations

import json
from pathlib import Path

import numpy as np
import pytest
from autoalign_simulators.benches import collimator
from autoalign_simulators.collimator import START

from autoalign import align
from autoalign.model.calibration import LASTING, recall
from autoalign.model.predict import BenchModel
from autoalign.run.calibration_file import CalibrationFile


def drifted(seed: int, calibration: Path, part: float):
    """Align once, let everything drift by ``part`` of the first start's ranges, wait a week."""
    bench = collimator(seed)
    first = align(bench, calibration=calibration, seed=seed)
    rng = np.random.default_rng([seed, 77])
    for axis, width in START.items():
        bench.truth.world.hidden[axis] += part * rng.uniform(-width, width)
    bench.clock.sleep(7 * 86400.0)
    return bench, first


@pytest.mark.slow
@pytest.mark.parametrize("seed", [0, 1, 2])
def test_a_remembered_bench_needs_one_move_after_drift(seed, tmp_path):
    """Look, one move, look: in spec, also in truth."""
    path = tmp_path / "m.json"
    bench, first = drifted(seed, path, 0.1)
    assert first.in_spec
    again = align(bench, calibration=path, seed=seed)
    assert again.in_spec
    assert again.measurements <= 2
    assert again.moves <= 1
    assert bench.truth.in_spec(bench.spec)
    assert "7 days old" in again.remarks[0]


@pytest.mark.campaign
@pytest.mark.parametrize("part", [0.1, 0.3])
def test_remembered_collimators_over_many_seeds(part, tmp_path):
    """At most 2 looks in the median and 3 at 95 %, in spec in truth, over 60 seeds."""
    measurements, true = [], []
    for seed in range(60):
        path = tmp_path / f"{part}-{seed}.json"
        bench, _ = drifted(seed, path, part)
        result = align(bench, calibration=path, seed=seed)
        measurements.append(result.measurements if result.in_spec else np.inf)
        true.append(bench.truth.in_spec(bench.spec))
    assert np.median(measurements) <= 2
    assert np.quantile(measurements, 0.95, method="higher") <= 3
    assert np.mean(true) >= 0.995


@pytest.mark.slow
def test_a_memory_is_trusted_less_the_older_it_is(tmp_path):
    """Beyond a month the drift that is allowed for grows with the square root of time."""
    bench = collimator(0)
    result = align(bench, calibration=tmp_path / "m.json")
    assert result.in_spec
    model = BenchModel(bench.layout, tuple(bench.free_axes.values()), bench.uncertainties)
    spread = []
    for days in (1.0, LASTING, 4 * LASTING, 100 * LASTING):
        prior, _ = recall(model, {**result.calibration, "age_days": days}, bench.uncertainties)
        spread.append(np.trace(np.linalg.inv(prior[1].T @ prior[1])))
    assert spread[0] == pytest.approx(spread[1])
    assert spread[1] < spread[2] < spread[3]


@pytest.mark.slow
def test_nothing_is_kept_of_a_run_that_missed_the_spec(tmp_path):
    """A run without success leaves no memory."""
    path = tmp_path / "m.json"
    result = align(collimator(0), strategy="random", budget=3, calibration=path)
    assert not result.in_spec
    assert not path.exists()
    assert CalibrationFile(collimator(0), path).data is None


@pytest.mark.slow
@pytest.mark.parametrize(
    ("spoil", "strategy", "why"),
    [(True, None, "the calibration is not plausible (its phi is not"),
     (False, "random", "strategy random does not use one")],
)  # fmt: skip
def test_a_memory_that_was_not_used_is_said_to_be_so(spoil, strategy, why, tmp_path):
    """In the result's remarks, which the command line prints, and in the record of the run."""
    path, journal = tmp_path / "m.json", tmp_path / "run.db"
    bench, _ = drifted(0, path, 0.3)
    record = json.loads(path.read_text())
    if spoil:
        record["calibration"]["phi"][0] = "0.1"
    path.write_text(json.dumps(record))
    result = align(bench, strategy=strategy, budget=6, calibration=path, journal=journal)
    assert len(result.remarks) == 2
    assert result.remarks[0].startswith("calibration of ")
    assert result.remarks[1].startswith(f"calibration {path}: {why}")
    assert result.remarks[1].encode() in journal.read_bytes()
