"""The verdict of a run in plain words, and the limits of its report."""

from __future__ import annotations

from collections.abc import Sequence

from autoalign.core.units import edge, edge_unit, given, number
from autoalign.journal.record import MeasurementRow, RunRecord, TermRow
from autoalign.messages.words import (
    counted,
    quantity,
    span_of_time,
    stated,
    term_label,
)

__all__ = ["headline", "left_open", "met_words", "verdict_text"]


def headline(record: RunRecord) -> str:
    """Return the verdict in a few words; success only with a measurement after the last move."""
    if record.in_spec:
        after = record.after_probe
        return met_words(after is not None and bool(after.open_wavefront))
    if record.outcome == "in spec":
        return "Not shown to be in spec"
    after = record.after_probe
    judged = after is not None and bool(after.terms) and not after.in_spec
    return f"{'Not in spec' if judged else 'Not shown to be in spec'}: {record.outcome}"


def met_words(wavefront_open: bool) -> str:
    """Return what a beam in spec is called, whether its terms leave the wavefront open or not."""
    return "In spec by its terms" if wavefront_open else "In spec"


def verdict_text(record: RunRecord) -> str:
    """Return the verdict as a paragraph for somebody who reads nothing else."""
    after = record.after_probe
    parts = [_sentence(after.open_wavefront)] if after is not None and after.open_wavefront else []
    parts.append(_effort(record))
    if after is None:
        since = " after the last move" if record.move_count else ""
        parts.append(f"Nothing was measured{since}, so nothing is claimed.")
    elif not after.terms:
        why = after.failure or "no reason was recorded"
        parts.append(f"The last measurement could not be evaluated: {why}.")
    else:
        parts.append(_terms(after.terms, record.guard))
        parts.append(_taken(record))
        parts.append(_change(record.before_probe, after))
    if record.reason and not record.in_spec:
        parts.append(_sentence(record.reason))
    return " ".join(p for p in parts if p)


def left_open(record: RunRecord) -> tuple[str, ...]:
    """Return the limits of the report, one sentence each."""
    out = list(record.notes)
    failed = [p for p in record.measurements if p.merit is None]
    if failed:
        many = len(failed) > 1
        out.append(
            f"{len(failed)} of {counted(len(record.measurements), 'measurement')} could not be "
            f"evaluated: {'first, ' if many else ''}number {failed[0].number} "
            f"({failed[0].failure or 'no reason was recorded'})."
        )
    unsure = [m for m in record.moves if m.arrived is None]
    if unsure:
        out.append(
            f"The final position of {len(unsure)} of {counted(len(record.moves), 'move')} was not "
            "recorded."
        )
    if record.locked:
        out.append(f"Locked, not moved: {', '.join(record.locked)}.")
    if record.distances:
        where = ", ".join(f"{name} at {given(d)} mm" for name, d in record.distances.items())
        out.append(f"The beam was measured only at {where}, and nowhere else.")
    if record.simulated:
        out.append("The bench was simulated: there was no real light, and no real part moved.")
    out.append(
        "Uncertainties are standard uncertainties of the measurements of this run; they do not "
        "include drift after the run."
    )
    out.append(
        "The divergence and the ellipticity in the spec compare the far plane with the near one. "
        "They are not the divergence angle and the ellipticity of ISO 11146, which are listed "
        "separately."
    )
    return tuple(out)


def _taken(record: RunRecord) -> str:
    if record.move_count:
        return "These figures are from a measurement after the last move."
    return "Nothing was moved; these figures are from the last measurement."


def _effort(record: RunRecord) -> str:
    time = f" in {span_of_time(record.duration)}" if record.duration is not None else ""
    return (
        f"{counted(len(record.measurements), 'measurement')} and "
        f"{counted(record.move_count, 'move')}{time}, search strategy “{record.strategy}”."
    )


def _terms(terms: Sequence[TermRow], guard: float | None) -> str:
    band = (
        f", with a guard band of {given(guard)} standard uncertainties"
        if guard is not None and guard > 0
        else ""
    )
    bad = [t for t in terms if not t.in_spec]
    if not bad:
        every = {1: "The term is", 2: "Both terms are"}.get(
            len(terms), f"All {len(terms)} terms are"
        )
        return f"{every} within tolerance{band}."
    listed = "; ".join(
        f"{term_label(t.name)} is {quantity(t.value, t.unit, t.uncertainty)}, target "
        f"{given(edge(t.target, t.unit))} ± {stated(t.tolerance, t.unit)}"
        for t in bad
    )
    count = f"{len(bad)} of {len(terms)} terms {'is' if len(bad) == 1 else 'are'}"
    return f"{count} not within tolerance{band}: {listed}."


def _change(before: MeasurementRow | None, after: MeasurementRow) -> str:
    if before is None or before.merit is None or after.merit is None or before is after:
        return ""
    worst = max(before.terms, key=lambda t: abs(t.residual))
    now = next((t for t in after.terms if t.name == worst.name), None)
    if now is None:
        return ""
    unit = edge_unit(worst.unit)
    label = "" if unit == "1" else f" {unit}"
    return (
        f"The worst term at the start, {term_label(worst.name)}, went from "
        f"{number(edge(worst.value, worst.unit))}{label} to "
        f"{quantity(now.value, now.unit, now.uncertainty)}."
    )


def _sentence(text: str) -> str:
    text = text.strip()
    return text[:1].upper() + text[1:] + ("" if text.endswith((".", "!", "?")) else ".")
