"""A small bench file for the worked third-party plug-in, which has no hardware behind it."""

from __future__ import annotations

import importlib
import runpy
from collections.abc import Callable
from pathlib import Path

import pytest

PLUGINS = Path(__file__).parents[1] / "plugins"

BENCH = """\
[bench]
name = "test bench"
settle = "50 ms"
locked = ["mirror"]

[optic]
reflected_focal_length = "150 mm"
off_axis_angle = "35 deg"
clear_aperture = "30 mm"

[source]
core_diameter = "100 um"
na = 0.12
wavelength = "660 nm"

[planes]
near = "0.4 m"
far = "2.4 m"

[stages.source]
driver = "example-stage"
port = "A"

[stages.source.axes."source.x"]
travel = ["-6 mm", "6 mm"]
resolution = "1 um"
backlash = "5 um"
speed = "2 mm/s"
channel = 1

[stages.mount]
driver = "example-stage"
port = "B"

[stages.mount.axes."mirror.tip"]
travel = ["-2 deg", "2 deg"]
resolution = "10 urad"
approach = "-"
channel = 1

[detectors.near]
driver = "example-camera"
plane = "near"

[detectors.far]
driver = "example-camera"
plane = "far"
width = 32

[spec]
pointing_x = { tolerance = "0.1 mrad", target = "0.05 mrad" }
divergence = { tolerance = "0.2 mrad" }
ellipticity = { tolerance = "1.5 %", weight = 2.0 }

[budget]
measurements = 30
time = "10 min"

[uncertainties]
pitch = "1 %"
"""


@pytest.fixture(autouse=True)
def worked_plugin(tmp_path: Path, monkeypatch: pytest.MonkeyPatch) -> None:
    """The worked plug-in, installed."""
    site = tmp_path / "site"
    site.mkdir()
    monkeypatch.syspath_prepend(site)
    runpy.run_path(str(PLUGINS / "install.py"))["install"](PLUGINS / "worked_plugin", site)
    importlib.invalidate_caches()


@pytest.fixture
def bench_file(tmp_path: Path) -> Callable[..., Path]:
    """Write the bench file with replacements, each of which must apply; return its path."""

    def write(*replacements: tuple[str, str], extra: str = "") -> Path:
        text = BENCH
        for old, new in replacements:
            assert old in text, f"{old!r} is not in the bench file"
            text = text.replace(old, new)
        path = tmp_path / "bench.toml"
        path.write_text(text + extra, encoding="utf-8")
        return path

    return write
