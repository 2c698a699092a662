"""Who reads the output, if anybody, changes nothing of the run or of its exit code."""

from __future__ import annotations

import os
import subprocess
import sys
from pathlib import Path

import pytest

from autoalign.cli.output import print_text, warn

pytestmark = pytest.mark.slow


@pytest.mark.skipif(os.name == "nt", reason="pipes of POSIX")
def test_the_exit_code_outlives_the_reader(tmp_path: Path) -> None:
    """A run that does not get into spec ends with 1, also where its output goes nowhere."""
    source, sink = os.pipe()
    os.close(source)
    command = (
        *(sys.executable, "-m", "autoalign", "demo", "--link", "direct"),
        *("--strategy", "random", "--output", str(tmp_path / "run"), "--json"),
    )
    done = subprocess.run(command, stdout=sink, stderr=subprocess.PIPE, check=False)
    os.close(sink)
    assert done.returncode == 1, done.stderr.decode()
    assert b"Traceback" not in done.stderr
    assert (tmp_path / "run" / "run.db").exists()


class _Gone:
    def write(self, text: str) -> int:
        raise BrokenPipeError


def test_printing_into_the_void_is_no_error(monkeypatch: pytest.MonkeyPatch) -> None:
    """A terminal that was closed does not break off a watch."""
    for name, say in (("stdout", print_text), ("stderr", warn)):
        monkeypatch.setattr(sys, name, _Gone())
        say("one")
        say("two")
        stream = getattr(sys, name)
        assert not isinstance(stream, _Gone)
        stream.close()
