"""What is found becomes JSON in one module."""

from __future__ import annotations

import ast
import json
from collections.abc import Iterator
from pathlib import Path

import pytest

import autoalign
from autoalign.messages.serialise import amount, facts_text, status_facts, write_facts
from autoalign.watch.status import WatchStatus, write_status

OWN_FORMATS = {
    "benchmark/campaign.py": "checks that what a strategy keeps survives JSON",
    "config/reference.py": "values of the key reference as TOML and JSON write them",
    "config/schema.py": "the schema of bench files",
    "journal/reader.py": "the journal's lines",
    "journal/tables.py": "the journal's digests",
    "journal/writer.py": "the journal's records, without loss",
    "run/calibration_file.py": "what a bench keeps for itself, without loss",
    "messages/serialise.py": "the one place",
    "watch/earlier.py": "what a watch keeps for the next one, without loss",
    "watch/incident.py": "what a watch keeps for the next one",
}
"""Modules that write JSON: the serialiser, and formats that the program keeps for itself."""


def _dumps(source: str) -> Iterator[int]:
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Attribute) and node.attr in ("dump", "dumps"):
            yield node.lineno
        if isinstance(node, ast.ImportFrom) and node.module == "json":
            yield from (node.lineno for n in node.names if n.name in ("dump", "dumps"))


def test_no_other_module_makes_json() -> None:
    """No command and no result writes JSON by itself."""
    root = Path(autoalign.__file__).parent
    found = [
        f"{path.relative_to(root)}:{line}"
        for path in sorted(root.rglob("*.py"))
        if path.relative_to(root).as_posix() not in OWN_FORMATS
        for line in _dumps(path.read_text(encoding="utf-8"))
    ]
    assert found == []


@pytest.mark.parametrize("planted", ["text = json.dumps(x)", "from json import dumps as write"])
def test_a_planted_second_serialiser_is_found(planted: str) -> None:
    """Under any name."""
    assert list(_dumps(planted))


def test_the_status_file_holds_what_the_command_prints(tmp_path: Path) -> None:
    """The same facts, with the merit's unit."""
    status = WatchStatus("b", "watching", "well", "2030-01-01", True, 0.4, 5, 4, 1, 1, 0, 60.0)
    write_status(tmp_path / "status.json", status)
    facts = json.loads((tmp_path / "status.json").read_text())
    assert facts == json.loads(facts_text(status_facts(status)))
    assert facts["merit"] == {"value": 0.4, "unit": "1"}


def test_angles_are_given_in_mrad_and_what_is_not_finite_as_null(tmp_path: Path) -> None:
    """The unit stands beside the number."""
    facts = {"angle": amount(0.002, "rad"), "lost": float("nan")}
    data = json.loads(write_facts(tmp_path / "x.json", facts).read_text())
    assert data == {"angle": {"value": 2.0, "unit": "mrad"}, "lost": None}
