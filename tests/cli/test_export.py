"""The measurements of a journal as a table for other programs."""

from __future__ import annotations

import csv
import io
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest
from autoalign_simulators.benches import collimator

from autoalign.journal import read_journal
from autoalign.run.align import align


@pytest.fixture(scope="module")
def journal(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """Return the journal of a short alignment."""
    path = tmp_path_factory.mktemp("run") / "run.db"
    align(collimator(2), journal=path)
    return path


@pytest.mark.slow
def test_every_measurement_is_a_row_with_units(
    run: Callable[..., Any], journal: Path, tmp_path: Path
) -> None:
    """Numbers are those of the journal, in the units that the columns name."""
    out = tmp_path / "run.csv"
    said = run("export", journal.parent, "--output", out)
    assert said.code == 0, said.err
    rows = list(csv.DictReader(io.StringIO(out.read_text(encoding="utf-8"))))
    record = read_journal(journal)
    assert len(rows) == len(record.measurements) >= 2
    last, kept = rows[-1], record.measurements[-1]
    assert float(last["mirror.tip mrad"]) == pytest.approx(1e3 * kept.positions["mirror.tip"])
    assert float(last["source.x mm"]) == pytest.approx(kept.positions["source.x"])
    verdict = kept.measurement.verdict
    assert verdict is not None
    terms = {t.name: t for t in verdict.terms}
    assert float(last["divergence mrad"]) == pytest.approx(1e3 * terms["divergence"].value)
    assert float(last["u(divergence) mrad"]) == pytest.approx(1e3 * terms["divergence"].uncertainty)
    assert last["in spec"] == "yes"
    printed = run("export", journal).out
    assert list(csv.DictReader(io.StringIO(printed)))[-1] == last


@pytest.mark.slow
def test_a_file_that_is_there_is_not_replaced(
    run: Callable[..., Any], journal: Path, tmp_path: Path
) -> None:
    """Nothing is written over."""
    out = tmp_path / "precious.csv"
    out.write_text("kept")
    said = run("export", journal, "--output", out)
    assert said.code == 2
    assert "exists already" in said.err
    assert out.read_text() == "kept"
