"""One measurement of a bench: every detector read, nothing moved."""

from __future__ import annotations

from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING

from autoalign.beam import BeamProfile, Use, average, combine, measure_beam
from autoalign.beam.standards.own_beam import OWN_TITLE, OwnFigure, own_beam
from autoalign.cli.explaining import Explanation, explain_bench, print_words
from autoalign.cli.facts import TERM_HEADER, own_facts, term_rows
from autoalign.cli.measure_command import draw, give
from autoalign.cli.output import print_facts, print_pairs, print_table, print_text
from autoalign.cli.profiles import Measured, facts_of
from autoalign.cli.progress import working
from autoalign.config import read_bench_file
from autoalign.core.errors import AlignError
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Reading
from autoalign.messages.serialise import term_facts
from autoalign.messages.words import own_figure
from autoalign.plan.planning import source_divergence
from autoalign.session.seeing import stated
from autoalign.spec.duplicate_frames import duplicate_frames

if TYPE_CHECKING:
    from autoalign.beam.parameters import BeamParameters
    from autoalign.bench import Bench
    from autoalign.config import BenchFile
    from autoalign.spec.terms import Verdict

__all__ = ["look"]


def look(path: Path, pictures: Path | None, *, explained: bool, json: bool, csv: bool) -> int:
    """Measure the bench of a bench file once; return 1 if its spec is not met, else 0."""
    file = read_bench_file(path)
    with file.open() as bench, working(f"Measuring {bench.name}"):
        many, readings = _acquire(bench)
        positions = bench.positions() if explained else {}
    parameters = _combine(file, bench, many, readings)
    verdict, why = _judge(bench, parameters)
    seen = {m.name: m.profile for m in many if m.profile is not None}
    own = _own(file, bench, seen)
    said = explain_bench(bench, seen, positions) if explained else Explanation(())
    draw(many, pictures)
    if json:
        print_facts(
            {
                "bench": bench.name,
                "frames": [facts_of(m) for m in many],
                "readings": {k: {"value": v, "uncertainty": u} for k, (v, u) in readings.items()},
                "in_spec": verdict.in_spec if verdict is not None else None,
                "terms": term_facts(verdict),
                "not_judged": why or None,
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
    return 1 if verdict is None or not verdict.in_spec else 0


def _acquire(bench: Bench) -> tuple[list[Measured], dict[str, tuple[float, float]]]:
    many: list[Measured] = []
    readings: dict[str, tuple[float, float]] = {}
    for name, detector in bench.detectors.items():
        now = bench.clock.now()
        try:
            exposures = detector.acquire(bench.frames, now, now + 30 + 5 * bench.frames)
            frames = [e for e in exposures if isinstance(e, Frame)]
            if frames:
                profile = average([measure_beam(f) for f in frames])
                many.append(Measured(detector.plane or name, "mm", frames[-1], profile))
        except AlignError as error:
            many.append(Measured(name, "mm", problem=f"{name}: {error}"))
            continue
        for reading in (e for e in exposures if isinstance(e, Reading)):
            readings |= reading.named(name)
    return many, readings


def _combine(
    file: BenchFile,
    bench: Bench,
    many: list[Measured],
    readings: dict[str, tuple[float, float]],
) -> BeamParameters | str:
    """Return the beam parameters, or why there are none."""
    if same := duplicate_frames({m.name: [m.frame] for m in many if m.frame is not None}):
        return same
    planes = _planes(file, bench)
    profiles = {
        m.name: m.profile
        for m in many
        if m.profile is not None and m.profile.use is not Use.NOTHING
    }
    distances = {plane: planes[plane] for plane in profiles}
    try:
        known = stated(bench.uncertainties, distances)
        return combine(profiles, distances, readings=readings, **known)
    except AlignError as error:
        return str(error)


def _planes(file: BenchFile, bench: Bench) -> Mapping[str, float]:
    layout = bench.layout
    return file.tables.planes if layout is None else {p.name: p.distance for p in layout.planes}


def _own(
    file: BenchFile, bench: Bench, profiles: Mapping[str, BeamProfile]
) -> tuple[OwnFigure, ...]:
    """Return what ISO 11146 calls divergence and ellipticity."""
    layout, wavelength, by_design = bench.layout, None, None
    if layout is not None:
        lines = layout.light.lines
        wavelength = lines[0][0] if len(lines) == 1 else None
        by_design = source_divergence(layout) if layout.kind == "collimator" else None
    return own_beam(profiles, _planes(file, bench), wavelength, by_design)


def _judge(bench: Bench, parameters: BeamParameters | str) -> tuple[Verdict | None, str]:
    """Return the verdict, or why there is none."""
    if isinstance(parameters, str):
        return None, parameters
    if bench.spec is None:
        return None, "the bench file has no [spec]"
    missing = bench.spec.missing(parameters.names)
    if missing:
        return None, f"not measured: {', '.join(missing)}"
    return bench.spec.evaluate(parameters), ""


def _print_verdict(verdict: Verdict | None, why: str) -> None:
    print_text()
    if verdict is None:
        print_text(f"The spec cannot be evaluated: {why}.")
        return
    print_text("In spec." if verdict.in_spec else "Not in spec.")
    header = [h for h in TERM_HEADER if h != "start"]
    rows = [(row[0], *row[2:]) for row in term_rows(None, verdict)]
    print_table(["now" if h == "end" else h for h in header], rows)
