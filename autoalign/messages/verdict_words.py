"""The verdict of a run in plain words, and what the run leaves open."""

from __future__ import annotations

from collections.abc import Sequence

from autoalign.core.units import edge, edge_unit
from autoalign.journal.record import ProbeRow, RunRecord, TermRow
from autoalign.messages.words import (
    counted,
    given,
    number,
    quantity,
    span_of_time,
    stated,
    term_label,
)

__all__ = ["headline", "left_open", "verdict_text"]


def headline(record: RunRecord) -> str:
    """Return the verdict in a few words; success only with a measurement after the last move."""
    if record.in_spec:
        return "In spec"
    if record.outcome == "in spec":
        return "Not shown to be in spec"
    after = record.after_probe
    judged = after is not None and bool(after.terms) and not after.in_spec
    return f"{'Not in spec' if judged else 'Not shown to be in spec'}: {record.outcome}"


def verdict_text(record: RunRecord) -> str:
    """Return the verdict as a paragraph for somebody who reads nothing else."""
    parts = [_effort(record)]
    after = record.after_probe
    if after is None:
        since = " after the last move" if record.move_count else ""
        parts.append(f"Nothing was measured{since}, so nothing is claimed.")
    elif not after.terms:
        parts.append(
            f"The last measurement could not be judged: {after.failure or 'no reason given'}."
        )
    else:
        parts.append(_terms(after.terms, record.guard))
        parts.append(_taken(record))
        parts.append(_change(record.before_probe, after))
    if record.reason and not record.in_spec:
        parts.append(_sentence(record.reason))
    return " ".join(p for p in parts if p)


def left_open(record: RunRecord) -> tuple[str, ...]:
    """Return what was not done and what the report cannot tell, one sentence each."""
    out = list(record.notes)
    failed = [p for p in record.probes if p.merit is None]
    if failed:
        many = len(failed) > 1
        out.append(
            f"{len(failed)} of {counted(len(record.probes), 'measurement')} could not be judged; "
            f"the {'first' if many else 'one'} was measurement {failed[0].number}: "
            f"{failed[0].failure or 'no reason recorded'}."
        )
    unsure = [m for m in record.moves if m.arrived is None]
    if unsure:
        out.append(f"{len(unsure)} of {len(record.moves)} moves have no recorded arrival.")
    if record.held:
        out.append(f"Locked on purpose: {', '.join(record.held)}.")
    if record.distances:
        where = ", ".join(f"{name} at {given(d)} mm" for name, d in record.distances.items())
        out.append(f"The beam was measured only at {where}; elsewhere nothing was measured.")
    if record.simulated:
        out.append("The bench was simulated: no real light was seen and no real part moved.")
    out.append(
        "Uncertainties are standard uncertainties of this run's measurements; drift after the run "
        "is not in them."
    )
    return tuple(out)


def _taken(record: RunRecord) -> str:
    if record.move_count:
        return "These figures are from a measurement after the last move."
    return "Nothing was moved; these figures are from the last measurement."


def _effort(record: RunRecord) -> str:
    time = f" in {span_of_time(record.duration)}" if record.duration is not None else ""
    measured = counted(len(record.probes), "measurement")
    return (
        f"{measured} and {counted(record.move_count, 'move')}{time} with the strategy "
        f"“{record.strategy}”."
    )


def _terms(terms: Sequence[TermRow], guard: float | None) -> str:
    band = (
        f", with {given(guard)} standard uncertainties as a guard band"
        if guard is not None and guard > 0
        else ""
    )
    bad = [t for t in terms if not t.in_spec]
    if not bad:
        every = "Both terms are" if len(terms) == 2 else f"All {len(terms)} terms are"
        return f"{every} within their tolerances{band}."
    listed = "; ".join(
        f"{term_label(t.name)} is {quantity(t.value, t.unit, t.uncertainty)} where "
        f"{stated(t.target, t.unit)} is wanted within ± {stated(t.tolerance, t.unit)}"
        for t in bad
    )
    count = f"{len(bad)} of {len(terms)} terms {'is' if len(bad) == 1 else 'are'}"
    return f"{count} not within tolerance{band}: {listed}."


def _change(before: ProbeRow | None, after: ProbeRow) -> str:
    if before is None or before.merit is None or after.merit is None or before is after:
        return ""
    worst = max(before.terms, key=lambda t: abs(t.residual))
    now = next((t for t in after.terms if t.name == worst.name), None)
    if now is None:
        return ""
    unit = edge_unit(worst.unit)
    label = "" if unit == "1" else f" {unit}"
    return (
        f"At the start the worst term was {term_label(worst.name)}, "
        f"{number(edge(worst.value, worst.unit))}{label}; it ended at "
        f"{quantity(now.value, now.unit, now.uncertainty)}."
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
