"""Nothing is ever written over a file of another kind."""

from __future__ import annotations

from collections.abc import Callable
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from PIL import Image

from autoalign.core.clock import VirtualClock
from autoalign.journal import Journal
from autoalign.report.markup import page, tag

Run = Callable[..., Any]

PLAN = ("plan", "--focal-length", "150 mm", "--angle", "35 deg")
PAGE = b"<!DOCTYPE html>\n<html><head><title>somebody's own</title></head></html>"
RECORD = b"SQLite format 3\0 and what follows"


@pytest.mark.parametrize(
    ("command", "name", "content", "words"),
    [
        (
            (*PLAN, "--drawing"),
            "s.toml",
            b"[bench]",
            "needs a name that ends in .png, for example s.png",
        ),
        ((*PLAN, "--symptoms"), "s.toml", b"[bench]", "a name that ends in .html or .htm"),
        ((*PLAN, "--symptoms"), "s.html", PAGE, "not an HTML page of this program"),
        ((*PLAN, "--drawing"), "s.png", RECORD, "the journal of a run"),
        ((*PLAN, "--drawing"), "s.png", b"\x89PNG\r\n\x1a\n of a camera", "not a PNG picture of"),
        (("gallery", "--output"), "mine.toml", b"[bench]", "a name that ends in .html or .htm"),
        (
            ("align", "no.toml", "--calibration"),
            "keep.toml",
            b"[bench]",
            "a name that ends in .json",
        ),
        (
            ("align", "no.toml", "--calibration"),
            "keep.json",
            b'{"mine": 1}',
            "not a calibration of",
        ),
        (
            ("watch", "no.toml", "--output", "w", "--calibration"),
            "k.toml",
            b"[a]",
            "a name that ends in .json",
        ),
    ],
)
def test_a_file_of_another_kind_is_refused_and_left_alone(
    run: Run, tmp_path: Path, command: tuple[str, ...], name: str, content: bytes, words: str
) -> None:
    """Exit code 2, with what to do; not a byte of the file is changed."""
    path = tmp_path / name
    path.write_bytes(content)
    said = run(*command, path)
    assert (said.code, path.read_bytes()) == (2, content)
    assert words in said.err
    assert "Nothing was written" in said.err


def test_the_memory_before_is_no_other_file_either(run: Run, tmp_path: Path) -> None:
    """The generation before goes to a file that nobody named: it is judged as well."""
    (tmp_path / "keep.previous.json").write_text("[1, 2]")
    said = run("align", "no.toml", "--calibration", tmp_path / "keep.json")
    assert said.code == 2
    assert "keep.previous.json: the existing file is not a calibration" in said.err


@pytest.mark.parametrize(
    "options", [("--output", "run.db"), ("--picture", "run.db"), ("--picture", "z.db")]
)
def test_a_record_is_never_written_over(run: Run, tmp_path: Path, options: tuple[str, str]) -> None:
    """Neither by its own report nor by a picture of it."""
    Journal(tmp_path / "run.db", VirtualClock(), {"bench": "b"}).close()
    (tmp_path / "z.db").write_bytes((tmp_path / "run.db").read_bytes())
    before = (tmp_path / options[1]).read_bytes()
    said = run("report", tmp_path / "run.db", options[0], tmp_path / options[1])
    assert (said.code, (tmp_path / options[1]).read_bytes()) == (2, before)
    assert "needs a name that ends in" in said.err


@pytest.mark.slow
def test_what_this_program_wrote_is_renewed(run: Run, tmp_path: Path) -> None:
    """The same command may be given again; an empty file is nobody's loss."""
    (tmp_path / "p.png").touch()
    drawn = (*PLAN, "--drawing", tmp_path / "p.png")
    assert [run(*drawn).code for _ in range(2)] == [0, 0]
    (tmp_path / "s.html").write_text(page("Symptoms", tag("p", "of last week")))
    assert run(*drawn, "--symptoms", tmp_path / "s.html").code == 0
    assert "of last week" not in (tmp_path / "s.html").read_text()


def test_an_annotated_picture_never_replaces_a_camera_s(run: Run, tmp_path: Path) -> None:
    """A folder of pictures may hold one of the very name that an annotated one would get."""
    y, x = np.mgrid[:64, :64]
    spot = 200 * np.exp(-((x - 30) ** 2 + (y - 33) ** 2) / 50) + 3
    for name in ("good.png", "001-good.png"):
        Image.fromarray(spot.astype(np.uint8)).save(tmp_path / name)
    before = (tmp_path / "001-good.png").read_bytes()
    said = run("measure", tmp_path / "good.png", "--pictures", tmp_path)
    assert (said.code, (tmp_path / "001-good.png").read_bytes()) == (2, before)


def test_a_comparison_keeps_a_picture_that_is_not_its_own(run: Run, tmp_path: Path) -> None:
    """Its picture has a fixed name, which somebody else's may have."""
    (tmp_path / "campaign.png").write_bytes(b"mine")
    assert run("compare", "--seeds", "1", "--output", tmp_path).code == 2
    assert [p.name for p in tmp_path.iterdir()] == ["campaign.png"]


@pytest.mark.parametrize("name", ["run.png", "report.html", "result.json"])
def test_a_run_leaves_a_folder_with_files_of_these_names_alone(tmp_path: Path, name: str) -> None:
    """A folder that holds one of the names of a run is not the run's, record or no record."""
    from autoalign.cli.running import free_folder  # noqa: PLC0415

    (tmp_path / "kept").mkdir()
    (tmp_path / "kept" / name).touch()
    assert free_folder(tmp_path / "kept") == tmp_path / "kept-2"
