"""Two cameras whose distances are stated, and no layout: such a bench can be aligned too."""

from __future__ import annotations

from dataclasses import replace
from pathlib import Path

from autoalign_simulators import collimator

from autoalign import align, load_bench

PLANES = {"near": 300.0, "far": 1500.0}


def test_a_bench_with_planes_and_no_layout_aligns() -> None:
    """Distances come from ``planes``: "planes stand at one distance, 0 mm" was all it said once."""
    simulated = collimator.simulate(3, fidelity="moments").bench()
    distances = simulated.distances
    assert simulated.spec is not None
    bench = replace(simulated, layout=None, planes=distances)
    result = align(bench, strategy="without-model", budget=60)
    assert result.in_spec, result
    assert result.measurements < 60
    assert bench.truth.verdict(simulated.spec).in_spec


SCRIPT = '''\
"""Two screens and a fold mirror; files stand for the controller that keeps the positions."""

from pathlib import Path

import numpy as np

from autoalign.adapters import AxisFunctions, FunctionDetector

OFF = {"fold.tip": 1.2e-3, "fold.tilt": -0.8e-3}
AWAY = {"near": 300.0, "far": 1500.0}
NOISE = np.random.default_rng(1)


def read(axis):
    place = Path(__file__).with_name(f"{axis}.at")
    return float(place.read_text()) if place.exists() else 0.0


def write(axis, position):
    place = Path(__file__).with_name(f"{axis}.new")
    place.write_text(repr(position))
    place.replace(place.with_suffix(".at"))


def stage(name, axes):
    return [
        AxisFunctions(a, lambda x, n=a.name: write(n, x), lambda n=a.name: read(n)) for a in axes
    ]


def spot(plane):
    x, y = (2 * AWAY[plane] * (read(n) + OFF[n]) for n in ("fold.tilt", "fold.tip"))
    at = (np.arange(201) - 100) * 0.1
    square = (at[None, :] - x) ** 2 + (-at[:, None] - y) ** 2
    return np.round(20000 * np.exp(-2 * square / 4) + NOISE.normal(100, 2, square.shape))


def camera(name, plane, clock):
    return FunctionDetector(name, plane, lambda: spot(plane), pitch=0.1, clock=clock)
'''

BENCH = """\
[bench]
name = "fold"
settle = "1 ms"

[planes]
near = "300 mm"
far = "1500 mm"

[stages.mount]
driver = "mine.py:stage"
[stages.mount.axes."fold.tip"]
travel = ["-5 mrad", "5 mrad"]
resolution = "1 urad"
[stages.mount.axes."fold.tilt"]
travel = ["-5 mrad", "5 mrad"]
resolution = "1 urad"

[detectors.near]
driver = "mine.py:camera"
plane = "near"
[detectors.far]
driver = "mine.py:camera"
plane = "far"

[spec]
pointing_x = { tolerance = "0.1 mrad" }
pointing_y = { tolerance = "0.1 mrad" }
"""


def test_a_bench_file_with_planes_and_no_optics_aligns(tmp_path: Path) -> None:
    """Nothing but [planes], stages, cameras and a spec of pointing."""
    (tmp_path / "mine.py").write_text(SCRIPT, encoding="utf-8")
    path = tmp_path / "bench.toml"
    path.write_text(BENCH, encoding="utf-8")
    with load_bench(path) as bench:
        assert bench.layout is None
        assert bench.distances == PLANES
        result = align(bench, strategy="without-model", budget=20)
        assert result.in_spec, result
        at = bench.positions()
    assert abs(2 * (at["fold.tip"] + 1.2e-3)) < 1e-4
    assert abs(2 * (at["fold.tilt"] - 0.8e-3)) < 1e-4
