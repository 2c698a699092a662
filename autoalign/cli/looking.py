"""One look at a bench: every detector read and measured, nothing moved."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING

from autoalign.beam import combine, measure_beam
from autoalign.cli.facts import TERM_HEADER, term_facts, term_rows
from autoalign.cli.measure import draw, give
from autoalign.cli.output import print_facts, print_table, print_text
from autoalign.cli.profiles import Measured, facts_of
from autoalign.cli.progress import working
from autoalign.config import read_bench_file
from autoalign.errors import AlignError
from autoalign.frames import Frame
from autoalign.interfaces import Reading
from autoalign.session.seeing import average, stated

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.merit import Verdict

__all__ = ["look"]


def look(path: Path, pictures: Path | None, *, json: bool, csv: bool) -> int:
    """Look at the bench of a bench file once; 1 where its spec is not met, 0 otherwise."""
    file = read_bench_file(path)
    with file.open() as bench, working(f"Looking at {bench.name}"):
        many, readings = _acquire(bench)
    layout = bench.layout
    planes = file.tables.planes if layout is None else {p.name: p.distance for p in layout.planes}
    verdict, why = _judge(bench, planes, many, readings)
    if json:
        print_facts(
            {
                "bench": bench.name,
                "frames": [facts_of(m) for m in many],
                "readings": {k: {"value": v, "uncertainty": u} for k, (v, u) in readings.items()},
                "in_spec": verdict.in_spec if verdict is not None else None,
                "terms": term_facts(verdict),
                "not_judged": why or None,
            }
        )
        draw(many, pictures)
    else:
        give(many, pictures, json=False, csv=csv)
        if not csv:
            _print_verdict(verdict, why)
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
            readings |= {
                f"{reading.plane or name}.{key}": (value, reading.uncertainties.get(key, 0.0))
                for key, value in reading.values.items()
            }
    return many, readings


def _judge(
    bench: Bench,
    distances: dict[str, float],
    many: list[Measured],
    readings: dict[str, tuple[float, float]],
) -> tuple[Verdict | None, str]:
    """Return the verdict, or why there is none."""
    if bench.spec is None:
        return None, "the bench file has no [spec]"
    profiles = {m.name: m.profile for m in many if m.profile is not None}
    try:
        seen = {plane: distances[plane] for plane in profiles}
        known = stated(bench.uncertainties, seen)
        quality = combine(profiles, seen, readings=readings, **known)
        missing = bench.spec.missing(quality.names)
        if missing:
            return None, f"not measured: {', '.join(missing)}"
        return bench.spec.evaluate(quality), ""
    except AlignError as error:
        return None, str(error)


def _print_verdict(verdict: Verdict | None, why: str) -> None:
    print_text()
    if verdict is None:
        print_text(f"The spec cannot be judged: {why}.")
        return
    print_text("In spec." if verdict.in_spec else "Not in spec.")
    header = [h for h in TERM_HEADER if h != "before"]
    rows = [(row[0], *row[2:]) for row in term_rows(None, verdict)]
    print_table(["now" if h == "after" else h for h in header], rows)
