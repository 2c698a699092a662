"""Profiles of the property tests: the same examples every time, or many new ones at night.

``HYPOTHESIS_PROFILE=nightly`` draws new examples, ten times as many where a test names no number
of its own; anything else is ``ci``.
"""

from __future__ import annotations

import os
import sys
from collections.abc import Iterator

import pytest
from hypothesis import HealthCheck, settings

settings.register_profile("ci", derandomize=True, database=None, deadline=None)
settings.register_profile(
    "nightly",
    derandomize=False,
    max_examples=1000,
    deadline=None,
    print_blob=True,
    suppress_health_check=[HealthCheck.too_slow],
)
settings.load_profile(os.environ.get("HYPOTHESIS_PROFILE", "ci"))


@pytest.fixture(autouse=True)
def no_module_of_a_test_left(tmp_path_factory: pytest.TempPathFactory) -> Iterator[None]:
    """Forget modules that a test made and imported: their names may serve another test."""
    before, made = set(sys.modules), str(tmp_path_factory.getbasetemp())
    yield
    for name in set(sys.modules) - before:
        file = getattr(sys.modules[name], "__file__", None) or ""
        if file.startswith(made):
            del sys.modules[name]
