"""Runs a conformance suite on a planted mistake, without a second pytest."""

from __future__ import annotations

import contextlib
import itertools
from collections.abc import Callable, Generator, Iterator
from typing import Any

import pytest


def _cases(test: Any) -> Iterator[dict[str, Any]]:
    """Return the arguments of each case of a test, as its parametrize marks give them."""
    marks = [m.args for m in getattr(test, "pytestmark", []) if m.name == "parametrize"]
    for chosen in itertools.product(*(values for _, values in marks)):
        case: dict[str, Any] = {}
        for (names, _), value in zip(marks, chosen, strict=True):
            case |= (
                {names: value} if isinstance(names, str) else dict(zip(names, value, strict=True))
            )
        yield case


def _given(made: Any) -> Generator[Any, None, None]:
    """Return a fixture as a generator, whether it yields its subject or returns it."""
    if isinstance(made, Generator):
        yield from made
    else:
        yield made


def _failing(make_suite: Callable[[], Any], subject: str) -> set[str]:
    """Run every test of a suite, each on a fresh subject; return the names of those that fail."""
    failing = set()
    kind = type(make_suite())
    tests = [n for n in dir(kind) if n.startswith("test_")]
    assert tests
    for name in tests:
        for case in _cases(getattr(kind, name)):
            suite = make_suite()
            fixture = _given(getattr(kind, subject).__wrapped__(suite))
            try:
                getattr(suite, name)(next(fixture), **case)
                next(fixture, None)
            except (Exception, pytest.fail.Exception):  # noqa: BLE001 - a failure of the suite
                failing.add(name)
            finally:
                with contextlib.suppress(Exception):
                    fixture.close()
    return failing


@pytest.fixture
def failing() -> Callable[[Callable[[], Any], str], set[str]]:
    """Return what runs a suite and names the tests that fail."""
    return _failing
