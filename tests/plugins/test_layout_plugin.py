"""A bench file that uses a third party's layout, driver, camera and merit term, and no other."""

from __future__ import annotations

from pathlib import Path

import pytest

from autoalign.config import read_bench_file
from autoalign.core.errors import BenchFileError, PluginError
from autoalign.plugins import catalogue

FILE = """\
[bench]
name = "folded beam (made up)"
layout = "example-fold"
[beam]
diameter = "5 mm"
wavelength = "660 nm"
[arrangement]
clear_aperture = "30 mm"
[planes]
near = "200 mm"
far = "2000 mm"
[stages.mirror]
driver = "example-stage"
port = "A"
[stages.mirror.axes."first.tip"]
travel = ["-10 mrad", "10 mrad"]
channel = 1
[stages.mirror.axes."first.tilt"]
travel = ["-10 mrad", "10 mrad"]
channel = 2
[detectors.far]
driver = "example-camera"
plane = "far"
[spec]
"example-brightness" = { tolerance = "10 %", plane = "far" }
"""


def written(tmp_path: Path, text: str = FILE) -> Path:
    """Return the path of a bench file with ``text``."""
    path = tmp_path / "bench.toml"
    path.write_text(text, encoding="utf-8")
    return path


@pytest.mark.usefixtures("worked_plugin")
def test_a_bench_file_uses_the_layout_of_a_plugin(tmp_path: Path) -> None:
    """Its geometry, with the file's values, is that of the open bench."""
    with read_bench_file(written(tmp_path)).open() as bench:
        assert bench.layout is not None
        assert bench.layout.kind == "example-fold"
        assert bench.layout.elements[0].surface.clear_aperture == 30.0
        assert [p.distance for p in bench.layout.planes] == [200.0, 2000.0]
        assert [m.axis for m in bench.layout.motions] == ["first.tip", "first.tilt"]
    info = next(i for i in catalogue("layouts") if i.name == "example-fold")
    assert info.summary == "One fold mirror that turns a beam by a right angle."


@pytest.mark.usefixtures("worked_plugin")
@pytest.mark.parametrize(
    ("old", "new", "said"),
    [
        ('"example-fold"', '"example-folds"', "no layout named 'example-folds'"),
        ("clear_aperture", "separation", "layout example-fold"),
        ("[beam]", '[source]\ncore_diameter = "9 um"\nna = 0.1\nwavelength = "660 nm"\n[beam]',
         "layout example-fold does not use this table; it needs [beam]"),
        ("first.tip", "second.tip", "no axis named 'second.tip'"),
    ],
)  # fmt: skip
def test_mistakes_against_a_plugins_layout_are_told_as_against_ours(
    old: str, new: str, said: str, tmp_path: Path
) -> None:
    """Unknown names, tables and keys that it does not take, axes that it does not have."""
    with pytest.raises(BenchFileError) as caught:
        read_bench_file(written(tmp_path, FILE.replace(old, new)))
    assert said in str(caught.value)


@pytest.mark.parametrize("body", ["raise SystemExit('no licence')", "raise KeyError('lost')"])
def test_a_layout_that_fails_is_named(body: str, site: Path, tmp_path: Path) -> None:
    """A broken bench type is a fault of the plug-in, not of the bench file."""
    (site / "breaking.py").write_text(
        "class Breaking:\n"
        "    needs, arrangement = ('beam',), ('clear_aperture',)\n"
        f"    def layout(self, tables):\n        {body}\n"
    )
    metadata = site / "breaking-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: breaking\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(
        "[autoalign.layouts]\nbreaking = breaking:Breaking\n"
    )
    text = FILE.replace("example-fold", "breaking").partition("[stages")[0]
    text += (
        '[stages.a]\ndriver = "line-ascii"\n[stages.a.axes."first.tip"]\n'
        'travel = ["-1 mrad", "1 mrad"]\n[detectors.far]\ndriver = "image-folder"\nplane = "far"\n'
    )
    with pytest.raises(PluginError, match="layout 'breaking' failed"):
        read_bench_file(written(tmp_path, text))
