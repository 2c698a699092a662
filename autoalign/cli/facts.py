"""What a run and a verdict say, as rows for a table."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from typing import TYPE_CHECKING, Any

from autoalign.core.digits import fixed
from autoalign.core.units import edge, edge_unit
from autoalign.messages.words import quantity, stated, term_label, unit_label

if TYPE_CHECKING:
    from autoalign.beam.standards.own_beam import OwnFigure
    from autoalign.core.axes import Axis
    from autoalign.spec.terms import TermValue, Verdict

__all__ = ["AXIS_HEADER", "TERM_HEADER", "axis_rows", "own_facts", "term_rows"]


TERM_HEADER = ("term", "start", "end", "target", "")


def term_rows(before: Verdict | None, after: Verdict | None) -> list[tuple[str, ...]]:
    """Return the verdict table: each term at the start and the end, its target, in spec or not."""
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


def own_facts(figures: Sequence[OwnFigure]) -> list[dict[str, Any]]:
    """Return what ISO 11146 calls divergence and ellipticity, each with its unit or why not."""
    facts = []
    for f in figures:
        values = {"value": f.value, "uncertainty": f.uncertainty}
        shown = {k: None if v is None else edge(v, f.unit) for k, v in values.items()}
        facts.append({"name": f.name, **shown, "unit": edge_unit(f.unit), "why": f.why or None})
    return facts


AXIS_HEADER = ("axis", "start", "end", "soft limits")


def axis_rows(
    positions: Mapping[str, float], axes: Mapping[str, Axis], before: Mapping[str, float]
) -> list[tuple[str, ...]]:
    """Return the start and end position of every axis, and its soft limits."""
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
    return f"{fixed(edge(value, unit), 4)} {label}"


def _value(term: TermValue | None) -> str:
    return "–" if term is None else quantity(term.value, term.unit, term.uncertainty)


def _wanted(term: TermValue) -> str:
    target, tolerance = stated(term.target, term.unit), stated(term.tolerance, term.unit)
    return f"{target.partition(' ')[0]} ± {tolerance}"
