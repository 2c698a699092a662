"""The fake bench of the session's tests and the faults of the check's, for this room too."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_TESTS = Path(__file__).parents[1]


def _load(room):
    name = f"autoalign_tests_of_{room}"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, _TESTS / room / "conftest.py")
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(name="make_bench")
def _make_bench():
    return _load("session").make_bench


@pytest.fixture(name="wrong")
def _wrong():
    """What may be wrong with a simulated bench, by name; each takes a bench and returns it."""
    return _load("check").FAULTS
