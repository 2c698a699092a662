"""The fake bench of the session's tests, for this room too."""

from __future__ import annotations

import importlib.util
import sys
from pathlib import Path

import pytest

_SOURCE = Path(__file__).parents[1] / "session" / "conftest.py"


def _load():
    name = "autoalign_tests_fake_bench"
    if name not in sys.modules:
        spec = importlib.util.spec_from_file_location(name, _SOURCE)
        assert spec is not None
        assert spec.loader is not None
        module = importlib.util.module_from_spec(spec)
        sys.modules[name] = module
        spec.loader.exec_module(module)
    return sys.modules[name]


@pytest.fixture(name="make_bench")
def _make_bench():
    return _load().make_bench
