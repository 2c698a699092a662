"""The table of faults: true to the tests that it names, and the same in the contributors' guide."""

from __future__ import annotations

import ast
import re
from pathlib import Path

import pytest

import autoalign
from autoalign.watch.faults import FAULTS, NOT_COVERED, Fault, found, table

ROOT = Path(autoalign.__file__).parents[1]
GUIDE = ROOT / "DEVELOPERS.md"


def _there() -> set[str]:
    """Every test function in the tree."""
    return {
        node.name
        for path in (ROOT / "tests").rglob("test_*.py")
        for node in ast.walk(ast.parse(path.read_text(encoding="utf-8")))
        if isinstance(node, ast.FunctionDef) and node.name.startswith("test_")
    }


def test_every_test_that_is_named_exists() -> None:
    """A row is covered by a test, not by a name."""
    named = {test for fault in FAULTS for test in fault.tests}
    assert named - _there() == set()
    assert len(named) > 60


def test_the_guide_has_the_same_table() -> None:
    """To bring it up to date, put what ``table()`` returns between the two markers."""
    text = GUIDE.read_text(encoding="utf-8")
    kept = re.search(r"<!-- faults -->\n(.*?)\n<!-- end of faults -->", text, re.DOTALL)
    assert kept is not None
    assert kept[1] == table()


def test_rows_are_distinct_and_complete() -> None:
    """A row that nothing shows says so; one that something shows says what is noticed and done."""
    assert len({(f.where, f.happens) for f in FAULTS}) == len(FAULTS)
    for fault in FAULTS:
        assert fault.where in ("line", "motion", "detector", "computer", "people")
        assert not fault.covered or (fault.noticed and fault.done), fault.happens
        assert "|" not in fault.text


@pytest.mark.parametrize(("word", "least"), [("camera", 3), ("NOT COVERED", 1), ("", len(FAULTS))])
def test_a_word_picks_rows(word: str, least: int) -> None:
    """In any column, in any case."""
    rows = found(word)
    assert len(rows) >= least
    assert all(word.casefold() in f.text.casefold() for f in rows)


def test_what_nothing_shows_is_called_not_covered() -> None:
    """In the table and to a filter."""
    bare = Fault("line", "gremlins", "", "")
    assert not bare.covered
    assert table([bare]).endswith(f"| line | gremlins | nothing | nothing | {NOT_COVERED} |")
    assert found("not covered", [bare]) == [bare]
