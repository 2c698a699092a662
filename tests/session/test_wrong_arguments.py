"""What people hand over by mistake is refused in words that say what is needed."""

from __future__ import annotations

import pytest

from autoalign.core.errors import UsageError
from autoalign.run.align import align
from autoalign.session import Budget
from autoalign.strategies.base import Need, Strategy
from autoalign.strategies.response_matrix import ResponseMatrix


class NoGenerator(Strategy):
    """Returns its positions at once."""

    name = "lister"
    needs = frozenset({Need.MERIT})

    def propose(self, problem):
        """Return a list where a generator is needed."""
        return [problem.start]


@pytest.mark.parametrize(
    ("given", "said"),
    [
        ({"budget": 2.5}, r"budget of 2\.5 measurements; give a whole number"),
        ({"budget": "40"}, r"budget of '40' measurements; give a whole number"),
        ({"budget": True}, "budget of True measurements"),
        ({"strategy": object}, "strategy 'object' is a class that cannot search"),
        ({"strategy": object()}, r"strategy 'object' is an object that cannot search; give the na"),
        ({"strategy": ResponseMatrix}, r"'ResponseMatrix' is a class .* an instance of it"),
        (
            {"strategy": NoGenerator()},
            r"strategy lister: propose returned a list; it must be a gen",
        ),
    ],
)
def test_a_mistaken_argument_is_refused_in_words(make_bench, given, said):
    """Each used to be an AttributeError from deep inside."""
    bench = make_bench()
    with pytest.raises(UsageError, match=said):
        align(bench, **given)
    assert bench.stages["stage"].log == []


def test_seconds_of_a_budget_are_a_number():
    """Text is not compared with numbers."""
    with pytest.raises(UsageError, match=r"budget of '10 min' s; give a number of seconds"):
        Budget(40, "10 min")
