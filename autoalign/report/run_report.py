"""The one-file report of a run: everything inside, nothing to fetch, no scripts."""

from __future__ import annotations

import math
from collections.abc import Iterator
from pathlib import Path

from autoalign.beam.standards.own_beam import OWN_TITLE
from autoalign.core.cautions import cautions
from autoalign.core.files import atomic_write
from autoalign.core.units import edge, edge_unit, given, number, rounded
from autoalign.journal import read_journal
from autoalign.journal.record import FramePicture, MeasurementRow, MoveRow, RunRecord, TermRow
from autoalign.messages.verdict_words import headline, left_open, verdict_text
from autoalign.messages.words import (
    WAVEFRONT_TITLE,
    counted,
    own_figure,
    start_words,
    term_label,
    unit_label,
    wavefront_rows,
)  # fmt: skip
from autoalign.report.convergence import (
    axes_figure,
    convergence_figure,
    describe_axes,
    describe_convergence,
)
from autoalign.report.frame_view import describe, draw_picture, window_for
from autoalign.report.from_journal import record_of
from autoalign.report.markup import Html, figure, page, table, tag
from autoalign.report.style import new_figure, plain, png_uri

__all__ = ["page_of", "write_report"]

_MOST_MOVES = 120


def write_report(run: RunRecord | str | Path, out_path: str | Path) -> Path:
    """Write the report of a record, or of the journal at a path, as one HTML file.

    Returns
    -------
    Path
        ``out_path``; its folder is made where it is missing.

    Raises
    ------
    JournalError
        If there is no journal at the path, or it cannot be read.
    """
    record = run if isinstance(run, RunRecord) else record_of(read_journal(run))
    return atomic_write(out_path, page_of(record))


def page_of(record: RunRecord) -> Html:
    """Return the whole report as one page."""
    return page(
        f"Alignment of {record.bench}: {headline(record)}",
        tag("h1", f"Alignment of {record.bench}"),
        tag("p", _where(record), class_="where"),
        tag(
            "div",
            tag("p", tag("strong", headline(record)), verdict_text(record)),
            class_=f"verdict {'good' if record.in_spec else 'bad'}",
        ),
        *_verdict_table(record),
        *_own_table(record),
        *_wavefront_table(record),
        *_start(record),
        *_pictures(record),
        *_course(record),
        *_moves(record),
        tag("h2", "Limits of this report"),
        tag("ul", *(tag("li", line) for line in left_open(record))),
        tag("h2", "Cautions"),
        tag("ul", *(tag("li", line) for line in cautions(*record.wavelengths))),
        *_provenance(record),
    )


def _start(record: RunRecord) -> Iterator[Html]:
    words = start_words(record)
    if words:
        yield tag("h2", "Findings at the start")
        yield tag("ul", *(tag("li", line) for line in words))


def _where(record: RunRecord) -> str:
    kind = "Simulated bench" if record.simulated else "Bench"
    parts = (kind, f"search strategy {record.strategy}", record.started)
    return " · ".join(p for p in parts if p)


def _verdict_table(record: RunRecord) -> Iterator[Html]:
    before, after = record.before_probe, record.after_probe
    names = dict.fromkeys(t.name for p in (before, after) if p is not None for t in p.terms)
    if not names:
        return
    yield tag("h2", "Verdict, term by term")
    head = ("Term", "Start", "End", "Target", "Tolerance", "Standard uncertainty (end)")
    yield table(
        "Values are in the unit given in each row.",
        (*head, "Unit", "In spec"),
        [_term_row(name, before, after) for name in names],
        "cards",
    )


def _own_table(record: RunRecord) -> Iterator[Html]:
    """Give what the standard calls divergence and ellipticity, which the terms are not."""
    before = {f.name: own_figure(f) for f in record.own_before}
    after = {f.name: own_figure(f) for f in record.own_after} if record.last is not None else {}
    names = dict.fromkeys([*before, *after])
    if not names:
        return
    yield tag("h3", OWN_TITLE)
    yield table(
        "For comparison; the spec does not judge these. ± is one standard uncertainty.",
        ("Quantity", "Start", "End"),
        [(name, before.get(name, "–"), after.get(name, "–")) for name in names],
        "cards",
    )


def _wavefront_table(record: RunRecord) -> Iterator[Html]:
    """Give what the terms do not judge: aberrations, with how surely they are known."""
    after = record.after_probe
    if after is None or after.wavefront is None:
        return
    yield tag("h3", WAVEFRONT_TITLE)
    yield table(
        "Without piston and tilt, weighed by power; ± is one standard uncertainty.",
        ("Quantity", "End"),
        wavefront_rows(after.wavefront),
        "cards",
    )


def _term_row(
    name: str, before: MeasurementRow | None, after: MeasurementRow | None
) -> tuple[str, ...]:
    old, new = _find(before, name), _find(after, name)
    term = new or old
    assert term is not None
    places = _places(term)

    def show(value: float) -> str:
        return rounded(edge(value, term.unit), places)

    return (
        term_label(name),
        show(old.value) if old else "not evaluated",
        show(new.value) if new else "not evaluated",
        given(edge(term.target, term.unit)),
        f"± {given(edge(term.tolerance, term.unit))}",
        number(edge(new.uncertainty, new.unit), 2) if new else "–",
        unit_label(edge_unit(term.unit)),
        _judged(new),
    )


def _find(measurement: MeasurementRow | None, name: str) -> TermRow | None:
    return next((t for t in measurement.terms if t.name == name), None) if measurement else None


def _places(term: TermRow) -> int:
    """Return decimals enough for a twentieth of the tolerance and for the uncertainty."""
    finest = edge(term.tolerance, term.unit) / 20
    u = edge(term.uncertainty, term.unit)
    if u > 0:
        finest = min(finest, u)
    return max(-math.floor(math.log10(finest)), 0)


def _judged(term: TermRow | None) -> Html:
    if term is None:
        return tag("span", "not evaluated", class_="no")
    return tag("span", "yes", class_="yes") if term.in_spec else tag("span", "no", class_="no")


def _pictures(record: RunRecord) -> Iterator[Html]:
    planes = list(dict.fromkeys(p.plane for p in (*record.before, *record.after)))
    if not planes:
        return
    yield tag("h2", "Start and end")
    yield tag(
        "p",
        "Orange: the measured ellipse (second-moment widths) and its centroid, a cross. Black "
        "ring: the fiducial of the plane. Darker is more light; each picture is scaled from its "
        "background to its brightest pixels; grey is outside the frame. Drawn as viewed against "
        "the beam, x in the plane of incidence and y up; both pictures of a plane have the same "
        "scale.",
        class_="small",
    )
    for plane in planes:
        pairs = [
            (when, p)
            for when, pictures in (("start", record.before), ("end", record.after))
            for p in pictures
            if p.plane == plane
        ]
        window = window_for([p for _, p in pairs])
        distance = record.distances.get(plane)
        yield tag("h3", f"Plane {plane}" + (f", at {given(distance)} mm" if distance else ""))
        yield tag("div", *(_one(when, p, window) for when, p in pairs), class_="pair")


def _one(when: str, picture: FramePicture, window: tuple[float, float, float, float]) -> Html:
    drawing = new_figure(4.2, 4.0)
    draw_picture(drawing.add_subplot(), picture, window, f"{plain(picture.plane, 20)}, {when}", 11)
    text = describe(picture)
    return figure(png_uri(drawing, 140), f"{text} {when.capitalize()} of the run.", text)


def _course(record: RunRecord) -> Iterator[Html]:
    if not record.measurements:
        return
    yield tag("h2", "Convergence")
    yield tag(
        "div",
        figure(
            png_uri(convergence_figure(record)),
            describe_convergence(record),
            "Deviation of each term from its target, in units of its tolerance, at every "
            "measurement (below 1 is within tolerance; values under 0.01 are drawn at 0.01). In "
            "runs of more than sixty measurements, lines show the best measurement so far, dots "
            "the merit of each.",
        ),
        figure(
            png_uri(axes_figure(record)),
            describe_axes(record),
            "Axis positions, as read back.",
        ),
        class_="pair",
    )


def _moves(record: RunRecord) -> Iterator[Html]:
    if not record.moves:
        return
    yield tag("h2", "Moves")
    shown = record.moves
    note = (
        f"{counted(record.move_count, 'move')}, one row for each axis that moved; time since the "
        "start."
    )
    if len(shown) > _MOST_MOVES:
        half = _MOST_MOVES // 2
        note = (
            f"The first {half} and the last {half} of {len(shown)} rows; the journal holds all of "
            "them. Time since the start."
        )
        shown = (*shown[:half], *shown[-half:])
    head = ("Time, s", "Axis", "From", "Commanded", "Reached", "Unit", "Outcome")
    yield table(note, head, [_move_row(m) for m in shown])


def _move_row(move: MoveRow) -> tuple[str, ...]:
    def show(value: float | None) -> str:
        return "unknown" if value is None else rounded(edge(value, move.unit), 4)

    return (
        rounded(move.time, 1),
        move.axis,
        show(move.start),
        show(move.target),
        show(move.arrived),
        unit_label(edge_unit(move.unit)),
        move.outcome,
    )


def _provenance(record: RunRecord) -> Iterator[Html]:
    yield tag("h2", "Provenance")
    entries = {
        "bench": record.bench,
        "search strategy": record.strategy,
        "started": record.started,
    }
    entries |= dict(record.provenance)
    items = [part for k, v in entries.items() if v for part in (tag("dt", k), tag("dd", v))]
    yield tag("dl", *items)
