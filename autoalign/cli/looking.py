"""One measurement of a bench: every detector read, nothing moved."""

from __future__ import annotations

from collections.abc import Mapping, Sequence
from pathlib import Path
from typing import TYPE_CHECKING

from autoalign.beam.profile import BeamProfile
from autoalign.beam.standards.own_beam import OWN_TITLE, OwnFigure, own_beam
from autoalign.cli.explaining import Explanation, explain_bench, print_words
from autoalign.cli.measure_command import draw, give
from autoalign.cli.output import (
    TERM_HEADER,
    own_facts,
    print_facts,
    print_pairs,
    print_table,
    print_text,
    term_rows,
)
from autoalign.cli.profiles import Measured, facts_of
from autoalign.cli.progress import working
from autoalign.config import read_bench_file
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Exposure, Reading
from autoalign.messages.serialise import finding_facts, term_facts
from autoalign.messages.verdict_words import met_words
from autoalign.messages.words import own_figure
from autoalign.plan.planning import source_divergence
from autoalign.strategies.base import Cause

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.run.execute import Event
    from autoalign.spec.acceptance import Verdict
    from autoalign.strategies.base import Measurement

__all__ = ["look"]

_NOT_MEASURED = (Cause.DETECTOR, Cause.UNMEASURED, Cause.STALE)


def look(path: Path, pictures: Path | None, *, explained: bool, json: bool, csv: bool) -> int:
    """Measure the bench of a bench file once; return 1 if its spec is not met, else 0."""
    from autoalign.run.measure_bench import measure_bench  # noqa: PLC0415 - heavy

    file = read_bench_file(path)
    exposed: dict[str, Sequence[Exposure]] = {}

    def keep(event: Event) -> None:
        exposed.update(event.exposures or {})

    with file.open() as bench, working(f"Measuring {bench.name}"):
        found = measure_bench(bench, progress=keep)
        positions = bench.positions() if explained else {}
    many = _measured(bench, found, exposed)
    readings = {
        k: v
        for name, several in exposed.items()
        for e in several
        if isinstance(e, Reading)
        for k, v in e.named(name).items()
    }
    verdict, why = found.verdict, found.failure
    seen = dict(found.profiles)
    own = _own(bench, seen)
    said = explain_bench(bench, seen, positions) if explained else Explanation(())
    draw(many, pictures)
    if json:
        print_facts(
            {
                "bench": bench.name,
                "frames": [facts_of(m) for m in many],
                "readings": {k: {"value": v, "uncertainty": u} for k, (v, u) in readings.items()},
                "in_spec": found.in_spec if verdict is not None else None,
                "terms": term_facts(verdict),
                "findings": [finding_facts(f) for f in found.findings],
                "not_judged": why if verdict is None else None,
                "beam_itself": own_facts(own),
                "explanation": said.words,
                "axes": said.axes,
            }
        )
    else:
        give(many, json=False, csv=csv)
        if not csv:
            _print_verdict(verdict, why)
            print_text()
            print_text(OWN_TITLE)
            print_pairs([(figure.name, own_figure(figure)) for figure in own])
            if said.words:
                print_words(said.words)
    return 0 if found.in_spec else 1


def _measured(
    bench: Bench, found: Measurement, exposed: Mapping[str, Sequence[Exposure]]
) -> list[Measured]:
    """Return a row for each camera: its last frame and mean profile, or what is wrong."""
    problems = {f.subject: str(f) for f in found.findings if f.code in _NOT_MEASURED}
    many = []
    for name, detector in bench.detectors.items():
        plane = detector.plane or name
        frames = [e for e in exposed.get(name, ()) if isinstance(e, Frame)]
        if frames and plane in found.profiles:
            many.append(Measured(plane, "mm", frames[-1], found.profiles[plane]))
        elif name in problems:
            many.append(Measured(name, "mm", problem=problems[name]))
    return many


def _own(bench: Bench, profiles: Mapping[str, BeamProfile]) -> tuple[OwnFigure, ...]:
    """Return what ISO 11146 calls divergence and ellipticity."""
    layout, wavelength, by_design = bench.layout, None, None
    if layout is not None:
        lines = layout.light.lines
        wavelength = lines[0][0] if len(lines) == 1 else None
        by_design = source_divergence(layout) if layout.kind == "collimator" else None
    return own_beam(profiles, bench.distances, wavelength, by_design)


def _print_verdict(verdict: Verdict | None, why: str) -> None:
    print_text()
    if verdict is None:
        print_text(f"The spec cannot be evaluated: {why}.")
        return
    open_terms = any(f.code == "wavefront-open" for f in verdict.findings)
    print_text(f"{met_words(open_terms)}." if verdict.in_spec else "Not in spec.")
    for finding in verdict.findings:
        print_text(f"{finding}.", hanging="  ")
    header = [h for h in TERM_HEADER if h != "start"]
    rows = [(row[0], *row[2:]) for row in term_rows(None, verdict)]
    print_table(["now" if h == "end" else h for h in header], rows)
