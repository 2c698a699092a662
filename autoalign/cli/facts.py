"""What a run, a verdict and a profile say, as plain data with units and as rows for a table."""

from __future__ import annotations

from collections.abc import Mapping
from typing import TYPE_CHECKING, Any

from autoalign.messages.words import edge, edge_unit, quantity, stated, term_label, unit_label

if TYPE_CHECKING:
    from autoalign.core.axes import Axis
    from autoalign.run.align import AlignmentResult
    from autoalign.spec.terms import TermValue, Verdict

__all__ = ["axis_rows", "result_facts", "term_facts", "term_rows"]


def result_facts(result: AlignmentResult, axes: Mapping[str, Axis]) -> dict[str, Any]:
    """Return how an alignment ended, at the edge: mm and mrad, each with its unit."""
    before = result.before.verdict if result.before is not None else None
    return {
        "in_spec": result.in_spec,
        "status": str(result.status),
        "reason": result.reason,
        "strategy": result.strategy,
        "seed": result.seed,
        "probes": result.probes,
        "moves": result.moves,
        "seconds": result.seconds,
        "before": term_facts(before),
        "after": term_facts(result.verdict),
        "positions": {
            name: {
                "value": edge(position, axes[name].unit),
                "unit": edge_unit(axes[name].unit),
            }
            for name, position in result.positions.items()
        },
    }


def term_facts(verdict: Verdict | None) -> dict[str, Any] | None:
    """Return every term of a verdict with its unit; None where there is no verdict."""
    if verdict is None:
        return None
    return {
        term.name: {
            **{
                key: edge(getattr(term, key), term.unit)
                for key in ("value", "uncertainty", "target", "tolerance")
            },
            "unit": edge_unit(term.unit),
            "in_spec": term.in_spec,
        }
        for term in verdict.terms
    }


TERM_HEADER = ("", "before", "after", "wanted", "")


def term_rows(before: Verdict | None, after: Verdict | None) -> list[tuple[str, ...]]:
    """Return the verdict table: each term before and after, what is wanted, in spec or not."""
    earlier = {t.name: t for t in before.terms} if before is not None else {}
    later = {t.name: t for t in after.terms} if after is not None else {}
    rows: list[tuple[str, ...]] = []
    for name in dict.fromkeys([*later, *earlier]):
        first, last = earlier.get(name), later.get(name)
        some = last or first
        assert some is not None
        state = "not measured" if last is None else ("in spec" if last.in_spec else "NOT in spec")
        rows.append((term_label(name), _value(first), _value(last), _wanted(some), state))
    return rows


def axis_rows(
    positions: Mapping[str, float], axes: Mapping[str, Axis], before: Mapping[str, float]
) -> list[tuple[str, ...]]:
    """Return where every axis stands, where it stood, and how far it may go."""
    rows: list[tuple[str, ...]] = []
    for name, position in positions.items():
        axis = axes[name]
        unit = axis.unit
        label = unit_label(edge_unit(unit))
        start = before.get(name)
        rows.append(
            (
                name,
                "" if start is None else _fixed(start, unit, label),
                _fixed(position, unit, label),
                f"{stated(axis.lower, unit)} … {stated(axis.upper, unit)}",
            )
        )
    return rows


def _fixed(value: float, unit: str, label: str) -> str:
    return f"{edge(value, unit):+.4f} {label}".replace("-", "−")


def _value(term: TermValue | None) -> str:
    return "–" if term is None else quantity(term.value, term.unit, term.uncertainty)


def _wanted(term: TermValue) -> str:
    target, tolerance = stated(term.target, term.unit), stated(term.tolerance, term.unit)
    return f"{target.partition(' ')[0]} ± {tolerance}"
