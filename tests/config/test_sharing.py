"""Two detectors of a bench file that would read one and the same device."""

from __future__ import annotations

import pytest

from autoalign.config.benchfile import check_text
from autoalign.core.errors import BenchFileError

BENCH = """\
[bench]
name = "two cameras"
[planes]
near = "0.4 m"
far = "2.4 m"
[stages.mount]
driver = "hand"
axes."knob" = {{ travel = ["-1 mm", "1 mm"] }}
[detectors.near]
driver = "image-folder"
plane = "near"
pitch = "60 um"
{near}
[detectors.far]
driver = "image-folder"
plane = "far"
pitch = "120 um"
{far}
[spec]
spot = {{ term = "quantity", quantity = "far.x", tolerance = "1 mm" }}
"""


@pytest.mark.parametrize("far", ['folder = "pics"', 'folder = "x/../pics/"\nnames = ["*.PNG"]'])
def test_one_folder_for_two_cameras_is_refused(far: str) -> None:
    """However it is spelt: one camera at both planes always agrees with itself."""
    with pytest.raises(BenchFileError) as caught:
        check_text("b.toml", BENCH.format(near='folder = "pics"', far=far), {})
    (problem,) = caught.value.problems
    assert "line 18, detectors.far.folder: " in problem
    assert "is already read by detector near" in problem


@pytest.mark.parametrize(
    ("near", "far"),
    [
        ('folder = "a"', 'folder = "b"'),
        ('folder = "a"\nnames = ["near-*.png"]', 'folder = "a"\nnames = ["far-*.png"]'),
    ],
)
def test_two_folders_or_other_names_in_one_are_two_cameras(near: str, far: str) -> None:
    """A camera program may write the pictures of several cameras into one folder."""
    assert len(check_text("b.toml", BENCH.format(near=near, far=far), {}).fitted.detectors) == 2


def test_one_port_for_two_meters_is_refused() -> None:
    """A port is never shared."""
    meter = (
        'driver = "scpi"\nport = "socket://127.0.0.1:4001"\nplane = "{0}"\n'
        'measure = {{ power = "MEAS:POW?" }}\n'
    )
    text = BENCH.format(near='folder = "a"', far='folder = "b"')
    for name, plane in (("one", "near"), ("two", "far")):
        text += f"[detectors.{name}]\n{meter.format(plane)}"
    with pytest.raises(
        BenchFileError,
        match=r"detectors\.two\.port: socket://127.0.0.1:4001 is already read by detector",
    ):
        check_text("b.toml", text, {})
