"""What a record says of the bench."""

from __future__ import annotations

from dataclasses import replace

from autoalign.journal import describe_bench


def test_a_simulated_bench_is_said_to_be_one(make_bench):
    """A bench with a hidden truth is simulated; one without is taken for real."""
    bench = make_bench()
    assert describe_bench(bench)["simulated"] is True
    assert describe_bench(replace(bench, truth=None))["simulated"] is False
