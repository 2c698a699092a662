"""The one call: defaults, result and record."""

from __future__ import annotations

import json
from dataclasses import replace

import pytest

from autoalign.cli.running import Run, print_run
from autoalign.core.errors import JournalError, UnknownNameError
from autoalign.run.align import align
from autoalign.session import Status


def test_the_result_says_what_happened(make_bench):
    """In spec, counts, both ends, where the axes stand, and how sure that is."""
    bench = make_bench()
    result = align(bench, strategy="response-matrix")
    assert result.in_spec
    assert result.status is Status.IN_SPEC
    assert not result.before.in_spec
    assert result.after.in_spec
    assert result.positions == bench.positions()
    assert result.uncertainty == pytest.approx(dict.fromkeys(result.uncertainty, 0.02))
    assert set(result.uncertainty) == {f"meter.q{i}" for i in range(4)}
    assert result.seconds == pytest.approx(bench.clock.now(), abs=1.0)


def test_a_bench_without_a_layout_needs_no_model(make_bench):
    """The default there: a response matrix, and a look around where that does not help."""
    assert align(make_bench()).strategy == "without-model"


def test_the_same_seed_gives_the_same_run(make_bench):
    """Chance comes from the seed alone."""
    first, second = (align(make_bench(visible=lambda u: max(abs(u)) < 4.5), seed=3) for _ in "ab")
    assert first.positions == second.positions
    assert first.measurements == second.measurements


def test_a_result_is_saved_as_json_with_units(make_bench, tmp_path):
    """Plain data with the numbers of the result, each with the unit that a person is shown."""
    result = align(make_bench(), journal=tmp_path / "runs" / "run.db")
    data = json.loads(result.save(tmp_path / "result.json").read_text())
    assert data["in_spec"] is True
    assert data["measurements"] == result.measurements
    assert data["positions"] == {
        n: {"value": p, "unit": result.axes[n].unit} for n, p in result.positions.items()
    }
    assert {t["in_spec"] for t in data["after"].values()} == {True}
    assert data["journal"].endswith("run.db")


def test_the_saved_result_and_the_printed_one_are_the_same(make_bench, tmp_path, capsys):
    """result.json once had bare rad and mm where --json of the same run had mrad with its unit."""
    bench = make_bench()
    result = align(bench, journal=tmp_path / "run.db")
    name = next(iter(bench.axes))
    axes = {**result.axes, name: replace(result.axes[name], unit="rad")}
    term = replace(result.verdict.terms[0], unit="rad", value=0.002)
    verdict = replace(result.verdict, terms=(term, *result.verdict.terms[1:]))
    result = replace(result, axes=axes, after=replace(result.after, verdict=verdict))
    place = result.save(tmp_path / "result.json")
    print_run(Run(result, {}, bench, {"result": place}), True)
    saved, printed = json.loads(place.read_text()), json.loads(capsys.readouterr().out)
    assert printed.pop("files") == {"result": str(place)}
    assert saved == printed
    assert saved["positions"][name]["unit"] == "mrad"
    assert saved["positions"][name]["value"] == pytest.approx(1e3 * result.positions[name])
    assert saved["after"][term.name]["unit"] == "mrad"
    assert saved["after"][term.name]["value"] == pytest.approx(2.0)


def test_a_report_without_a_record_is_refused(make_bench, tmp_path):
    """It says what to do."""
    with pytest.raises(JournalError, match=r"journal='run\.db'"):
        align(make_bench()).report(tmp_path / "report.html")


def test_unknown_strategies_are_named_with_the_nearest_known_one(make_bench):
    """A slip of the keyboard gets a hint."""
    with pytest.raises(UnknownNameError, match="Did you mean 'response-matrix'"):
        align(make_bench(), strategy="response-matrx")
