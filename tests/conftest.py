"""Profiles of the property tests: the same examples every time, or many new ones at night.

``HYPOTHESIS_PROFILE=nightly`` draws new examples, ten times as many where a test names no number
of its own; anything else is ``ci``.
"""

from __future__ import annotations

import os

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
