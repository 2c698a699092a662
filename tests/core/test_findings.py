"""Findings: data that one room puts into words."""

from __future__ import annotations

import ast
from collections import defaultdict
from pathlib import Path

import pytest

import autoalign
from autoalign.core.findings import Amount, Finding, Severity
from autoalign.messages.findings import SENTENCES
from autoalign.strategies.base import Cause

PLANTED = 'from autoalign.core.findings import Finding\nFinding("no-such-code", "axis")'
PACKAGE = Path(autoalign.__file__).parent


def codes_in(source: str) -> set[str]:
    """Return the codes of the findings that ``source`` makes, as far as they are literal."""
    out: set[object] = set()
    if "core.findings import" not in source:
        return set()
    for node in ast.walk(ast.parse(source)):
        made = isinstance(node, ast.Call) and getattr(node.func, "id", "") == "Finding"
        if made and node.args:
            first = node.args[0]
            ways = [first.body, first.orelse] if isinstance(first, ast.IfExp) else [first]
            out |= {n.value for n in ways if isinstance(n, ast.Constant)}
    return {c for c in out if isinstance(c, str)}


def test_every_code_that_is_made_has_its_sentence() -> None:
    """A finding that nobody worded would be told by its bare code."""
    assert codes_in(PLANTED) == {"no-such-code"}  # it would be noticed
    made = {c for path in PACKAGE.rglob("*.py") for c in codes_in(path.read_text())}
    assert len(made) > 15
    assert made <= set(SENTENCES)
    assert {cause.value for cause in Cause} <= set(SENTENCES)


@pytest.mark.parametrize("code", list(SENTENCES))
def test_every_sentence_can_be_said(code: str) -> None:
    """With all that it may need it says what it is about, and no number without its unit."""
    numbers = defaultdict(lambda: Amount(1.234e-2, "mm", 1e-3))
    details = defaultdict(lambda: "the name of something else")
    said = str(Finding(code, "source.x", numbers, details=details))
    assert len(said) > 10
    assert not said.endswith(".")
    assert "None" not in said
    assert "nan" not in said


def test_a_plugin_s_finding_is_told_by_its_facts() -> None:
    """A code that the library does not know: subject, code, numbers with units, texts."""
    found = Finding("mine:too-warm", "far", {"rise": Amount(2e-3, "rad", 1e-4)}, Severity.NOTE)
    assert str(found) == "far: mine:too-warm (rise 2.00 ± 0.10 mrad)"


def test_nothing_but_messages_words_a_finding() -> None:
    """No other room holds a table of sentences by code, or a finding with its own text."""
    for path in PACKAGE.rglob("*.py"):
        if path.parent.name == "messages":
            continue
        for node in ast.walk(ast.parse(path.read_text())):
            if isinstance(node, ast.Dict):
                keys = {k.value for k in node.keys if isinstance(k, ast.Constant)}
                words = [v for v in node.values if isinstance(v, ast.Constant | ast.JoinedStr)]
                assert not (keys & set(SENTENCES) and words), path
