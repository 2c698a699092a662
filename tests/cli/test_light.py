"""What importing the library and asking for help pulls in."""

from __future__ import annotations

import json
import subprocess
import sys

import pytest

import autoalign

HEAVY = ("scipy", "sklearn", "skopt", "serial", "pydantic", "matplotlib")


def loaded_by(code: str) -> set[str]:
    """Return the top-level packages that are loaded after ``code`` in a fresh interpreter."""
    packages = "sorted({m.partition('.')[0] for m in sys.modules})"
    script = f"import sys, json\n{code}\nprint(json.dumps({packages}))"
    done = subprocess.run(
        [sys.executable, "-c", script], check=True, capture_output=True, text=True
    )
    return set(json.loads(done.stdout.splitlines()[-1]))


@pytest.mark.slow
def test_importing_the_library_pulls_in_nothing_heavy() -> None:
    """``import autoalign`` loads none of the heavy packages, not even numpy."""
    assert not loaded_by("import autoalign") & {*HEAVY, "numpy"}


@pytest.mark.slow
def test_using_optics_frames_and_measurement_pulls_in_nothing_heavy() -> None:
    """The names that a script needs to plan and measure load numpy and nothing heavier."""
    names = "OffAxisParaboloid, Frame, measure_beam, Axis, Bench, Spec"
    assert not loaded_by(f"from autoalign import {names}") & set(HEAVY)


@pytest.mark.slow
def test_help_pulls_in_nothing_heavy() -> None:
    """``autoalign --help`` loads neither numpy nor anything heavier."""
    found = loaded_by(
        "import io, contextlib\nfrom autoalign.cli import main\n"
        "with contextlib.redirect_stdout(io.StringIO()) as out:\n    code = main(['--help'])\n"
        "assert code == 0 and 'demo' in out.getvalue()"
    )
    assert not found & {*HEAVY, "numpy"}


def test_the_public_surface_is_pinned() -> None:
    """Names come and go on purpose only; each can be had, and the list is sorted."""
    assert autoalign.__all__ == sorted(autoalign.__all__)
    assert len(set(autoalign.__all__)) == len(autoalign.__all__)
    for name in autoalign.__all__:
        assert getattr(autoalign, name) is not None
    assert set(autoalign.__all__) >= {
        "AlignmentResult", "Axis", "BeamProfile", "Bench", "Frame", "OffAxisParaboloid", "Spec",
        "align", "load_bench", "measure_beam",
    }  # fmt: skip
    assert set(autoalign.__all__) <= set(dir(autoalign))
