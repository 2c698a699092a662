"""Commands around the watch: soak, status, incidents, faults, the report of a watch."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any

import pytest

Run = Callable[..., Any]


@pytest.mark.slow
def test_soak_prints_the_facts(run: Run) -> None:
    """As JSON, with the keys that outside checks read."""
    said = run("soak", "--days", "0.05", "--noise", "0.1", "--drift", "0", "--json")
    facts = json.loads(said.out)
    wanted = {"realignments", "needless", "false_pauses", "violations", "share_in_spec", "noise"}
    assert said.code == 0
    assert wanted <= facts.keys()
