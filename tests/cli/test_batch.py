"""``autoalign compare --batch``: shares with their intervals."""

from __future__ import annotations

import json
from collections.abc import Callable
from typing import Any


def test_the_command_prints_shares_with_their_intervals(run: Callable[..., Any]) -> None:
    """Facts for programs, a sentence for people."""
    said = run("compare", "--batch", "6", "--json")
    facts = json.loads(said.out)
    assert facts["trials"] == 6
    assert sum(facts["counts"].values()) == 6
    low, high = facts["shares"]["in spec by the truth"]["interval"]
    assert 0 < low < high <= 1
    assert "6 simulated alignments of the collimator" in run("compare", "--batch", "6").out
