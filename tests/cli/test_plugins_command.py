"""``autoalign plugins``: everything listed, broken ones with the reason, and the schema."""

from __future__ import annotations

import json
from collections.abc import Callable
from pathlib import Path
from typing import Any

import pytest


def test_plugins_are_listed_as_facts(run: Callable[..., Any]) -> None:
    """The built-in terms are there, sound, each with a line of words."""
    said = run("plugins", "terms", "--json")
    facts = json.loads(said.out)
    assert said.code == 0
    assert {f["name"] for f in facts} >= {"pointing", "divergence", "ellipticity", "quantity"}
    assert all(f["summary"] and not f["problem"] for f in facts)


def test_a_broken_plugin_is_listed_and_the_others_with_it(
    run: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """The reason is printed, and the command still ends with 0."""
    metadata = tmp_path / "bad-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: bad\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text("[autoalign.terms]\nbad = no_such_thing:X\n")
    monkeypatch.syspath_prepend(tmp_path)
    said = run("plugins", "terms")
    assert said.code == 0
    assert "pointing" in said.out
    assert "No module named 'no_such_thing'" in said.text


def test_a_clash_of_names_is_reported_once(
    run: Callable[..., Any], tmp_path: Path, monkeypatch: pytest.MonkeyPatch
) -> None:
    """Both are listed, the built-in under the plain name, and how to write the other is said."""
    (tmp_path / "usurper.py").write_text("def pointing(tolerance):\n    'Another.'\n")
    metadata = tmp_path / "usurper-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: usurper\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text("[autoalign.terms]\npointing = usurper:pointing\n")
    monkeypatch.syspath_prepend(tmp_path)
    said = run("plugins", "terms")
    assert said.code == 0
    assert said.text.count("CLASH terms 'pointing'") == 1
    assert "write 'usurper:pointing' for the other" in said.text


def test_the_schema_offers_the_keys_of_installed_drivers(run: Callable[..., Any]) -> None:
    """An editor learns the line-ASCII driver's keys where that driver is named."""
    schema = json.loads(run("plugins", "--schema").out)
    rules = schema["$defs"]["StageTable"]["allOf"]
    named = {r["if"]["properties"]["driver"]["const"]: r["then"] for r in rules}
    assert "command_end" in named["line-ascii"]["properties"]


def test_an_unknown_group_is_refused(run: Callable[..., Any]) -> None:
    """The groups that exist are named."""
    said = run("plugins", "stage")
    assert said.code == 2
    assert "stages" in said.err


QUITTING = """\
import sys
from autoalign.strategies.base import Need, Strategy
class Quitting(Strategy):
    name = "quitting"
    needs = frozenset({Need.MERIT})
    def propose(self, problem):
        sys.exit("no licence")
        yield
"""


def test_a_strategy_that_ends_the_program_ends_its_run_with_the_code_of_a_plugin_fault(
    run: Callable[..., Any],
    demo_bench: Callable[..., Path],
    tmp_path: Path,
    monkeypatch: pytest.MonkeyPatch,
) -> None:
    """Not 1, which means that the beam is not in spec; the record is there and says why."""
    (tmp_path / "quitting.py").write_text(QUITTING)
    metadata = tmp_path / "quitting-1.0.dist-info"
    metadata.mkdir()
    (metadata / "METADATA").write_text("Metadata-Version: 2.1\nName: quitting\nVersion: 1.0\n")
    (metadata / "entry_points.txt").write_text(
        "[autoalign.strategies]\nquitting = quitting:Quitting\n"
    )
    monkeypatch.syspath_prepend(tmp_path)
    folder = tmp_path / "run"
    said = run(
        "align", demo_bench(), "--strategy", "quitting", "--output", folder, "--yes", "--json"
    )
    assert said.code == 3, said.err
    assert "SystemExit: no licence" in said.out
    assert any(folder.iterdir())
