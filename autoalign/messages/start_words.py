"""Findings at the start of a run: its first frames, and what had to be moved."""

from __future__ import annotations

from collections.abc import Iterator

from autoalign.core.digits import number
from autoalign.core.units import edge, edge_unit
from autoalign.journal.record import RunRecord
from autoalign.messages.words import unit_label

__all__ = ["start_words"]


def start_words(record: RunRecord) -> tuple[str, ...]:
    """Return a sentence for each finding in the first frames, and one for what was moved."""
    return (*record.remarks, *_moved(record))


def _moved(record: RunRecord) -> Iterator[str]:
    before, after = record.before_probe, record.after_probe
    if not record.in_spec or before is None or after is None or before is after:
        return
    moves = []
    for axis in record.axes:
        if axis.name not in before.positions or axis.name not in after.positions:
            continue
        way = after.positions[axis.name] - before.positions[axis.name]
        if abs(way) > 2 * axis.resolution:
            label = unit_label(edge_unit(axis.unit))
            plus = "+" if way > 0 else ""
            moves.append(f"{axis.name} by {plus}{number(edge(way, axis.unit))} {label}")
    if moves:
        yield (
            f"To bring the beam into spec, the run moved {', '.join(moves)}. Axes with the same "
            "effect can replace each other, so a part was not necessarily misaligned by this much."
        )
