"""``autoalign faults``: what can go wrong, how it is noticed, and what is done about it."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from autoalign.cli.exits import Exit
from autoalign.cli.output import print_facts, print_pairs, print_text

__all__ = ["faults"]


def faults(
    *,
    filter: str = "",  # noqa: A002 - the option's name
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """List what can go wrong on a bench, how it is noticed, what is done, and which test shows it.

    What nothing notices is listed as well, as not covered.

    Parameters
    ----------
    filter
        Only rows in which this word occurs, for instance "camera", "stop" or "not covered".
    json
        Print the rows as JSON.
    """
    from autoalign.watch.faults import FAULTS, NOT_COVERED, found  # noqa: PLC0415

    rows = found(filter)
    if json:
        print_facts(
            [
                {
                    "where": f.where,
                    "happens": f.happens,
                    "noticed": f.noticed,
                    "done": f.done,
                    "tests": list(f.tests),
                    "covered": f.covered,
                }
                for f in rows
            ]
        )
        return Exit.IN_SPEC
    for fault in rows:
        print_text(f"{fault.where}: {fault.happens}", hanging="  ")
        print_pairs(
            [
                ("noticed by", fault.noticed or "nothing"),
                ("what is done", fault.done or "nothing"),
                ("shown by", ", ".join(fault.tests) or NOT_COVERED),
            ]
        )
    covered = sum(f.covered for f in rows)
    print_text(f"{len(rows)} of {len(FAULTS)} faults, {covered} of them covered by tests.")
    return Exit.IN_SPEC
