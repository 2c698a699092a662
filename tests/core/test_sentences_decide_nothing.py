"""Sentences are for people: nothing in the library decides by what one of them says."""

from __future__ import annotations

import ast
from collections.abc import Iterator
from pathlib import Path

import pytest

import autoalign

SENTENCES = {
    "diagnosis", "failure", "failures", "message", "messages", "note", "reason", "reasons",
    "sentence", "sentences",
}  # fmt: skip
"""Names and attributes that hold what a person is told."""
ALLOWED = {"config/reading.py": "puts the complaint of the TOML parser into our order of words"}
"""Modules that read a sentence to word it anew, and decide nothing by it."""
SEARCHES = {"count", "endswith", "find", "fullmatch", "index", "match", "search", "startswith"}


def _told(node: ast.AST) -> bool:
    """Return whether ``node`` is a sentence: one by name, the text of an error, or made of one."""
    match node:
        case ast.Name(id=name) | ast.Attribute(attr=name):
            return name in SENTENCES
        case ast.Call(func=ast.Name(id="str"), args=[ast.Name(id="error" | "exc" | "exception")]):
            return True
        case ast.Call(func=ast.Attribute(value=inner, attr="lower" | "upper" | "strip")):
            return _told(inner)
        case ast.Subscript(value=inner, slice=ast.Constant(value=key)):
            return key in SENTENCES or _told(inner)
        case ast.Subscript(value=inner):
            return _told(inner)
    return False


def _empty(node: ast.AST) -> bool:
    nothing = isinstance(node, ast.List | ast.Tuple) and not node.elts
    return nothing or (isinstance(node, ast.Constant) and node.value in ("", None))


def _violations(source: str) -> Iterator[int]:
    """Yield the lines on which a sentence is compared with, or searched for, anything."""
    for node in ast.walk(ast.parse(source)):
        if isinstance(node, ast.Compare):
            sides = [node.left, *node.comparators]
            by_words = any(isinstance(o, ast.Eq | ast.NotEq | ast.In | ast.NotIn) for o in node.ops)
            if by_words and any(map(_told, sides)) and not any(map(_empty, sides)):
                yield node.lineno
        elif isinstance(node, ast.Call) and isinstance(node.func, ast.Attribute):
            asked = [node.func.value, *node.args]
            if node.func.attr in SEARCHES and any(map(_told, asked)):
                yield node.lineno
        elif isinstance(node, ast.comprehension):
            names = {n.id for n in ast.walk(node.target) if isinstance(n, ast.Name)}
            asked = [c for test in node.ifs for c in ast.walk(test) if isinstance(c, ast.Call)]
            by = [c.func.value for c in asked if isinstance(c.func, ast.Attribute)]
            if _told(node.iter) and any(isinstance(b, ast.Name) and b.id in names for b in by):
                yield node.iter.lineno
        elif isinstance(node, ast.Match) and _told(node.subject):
            yield node.lineno


def test_nothing_is_decided_by_a_sentence() -> None:
    """No comparison with, and no search in, a failure, reason or message, in any module."""
    root = Path(autoalign.__file__).parent
    found = [
        f"{path.relative_to(root)}:{line}"
        for path in sorted(root.rglob("*.py"))
        if path.relative_to(root).as_posix() not in ALLOWED
        for line in _violations(path.read_text(encoding="utf-8"))
    ]
    assert found == []


@pytest.mark.parametrize(
    "planted",
    [
        "if SAME in first.failure: pass",
        "if look.reason == 'closer': pass",
        "taken = left[0].reason in beside",
        "stop = 'full' in str(error)",
        "stop = str(error).lower().startswith('full')",
        "if record['message'] != 'done': pass",
        "if failure.startswith(plane): pass",
        "found = re.search('dark', seen.failure)",
        "own = [t for t in first.failures if t.startswith(plane)]",
        "match finish.reason:\n    case 'stopped': pass",
    ],
)
def test_a_planted_decision_by_a_sentence_is_found(planted: str) -> None:
    """Each way in which a sentence can steer a program is seen."""
    assert list(_violations(planted))


@pytest.mark.parametrize(
    "allowed",
    ["if seen.failure: pass", "if error.reason is None: pass", "text = note.reason + '.'"],
)
def test_asking_whether_there_is_a_sentence_is_allowed(allowed: str) -> None:
    """Whether something was said, and passing it on, decides nothing by its words."""
    assert not list(_violations(allowed))
