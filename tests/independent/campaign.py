"""Align many seeds of the independent benches and judge every claim by the truth.

``python -m tests.independent.campaign --bench one --light plain --seeds 30``
"""

from __future__ import annotations

import argparse
import csv
import math
import sys
import time
from collections.abc import Sequence
from dataclasses import asdict, dataclass
from pathlib import Path
from statistics import median

from autoalign import AlignError, align
from autoalign.run.execute import Event
from tests.independent import bench_one, bench_two
from tests.independent.parts import LIGHTS
from tests.independent.world import World

BENCHES = {"one": bench_one.world, "two": bench_two.world}
WITHIN = 20_000
"""Rays of the truth after each measurement; the ends are judged with many more."""


@dataclass(frozen=True)
class Line:
    """How one seed went; ratios are the worst term over its tolerance, in truth."""

    bench: str
    light: str
    seed: int
    aligned: float
    """Ratio with nothing misaligned: over 1, this light cannot be brought into spec by design."""
    start: float
    best: float
    end: float
    truly: bool
    claimed: bool
    measurements: int
    went_back: bool
    """Whether it ended at its start although it had been much closer."""
    seconds: float
    status: str
    reason: str

    @property
    def worse(self) -> bool:
        """Whether the end is clearly worse than the best place visited, and out of spec."""
        return self.end > max(1.0, 1.5 * self.best)


def run(bench: str, light: str, seed: int, verbose: bool = False) -> Line:
    """Align one seed and judge it."""
    world = BENCHES[bench](seed, light)
    visited: list[float] = []
    started = dict(world.bench.positions())

    def follow(event: Event) -> None:
        if event.measurement is None:
            return
        visited.append(world.ratio(world.truth(WITHIN)))
        if verbose:
            say(told(world, event, visited[-1]))

    start = world.ratio(world.truth())
    began = time.perf_counter()
    status, reason, claimed, count = "failed", "", False, 0
    try:
        result = align(world.bench, progress=follow, seed=seed)
    except AlignError as error:
        reason, count = f"{type(error).__name__}: {error}", len(visited)
    else:
        claimed, count = result.in_spec, result.measurements
        status, reason = str(result.status), result.reason
    seconds = time.perf_counter() - began
    end = world.ratio(world.truth())
    best = min([*visited, start, end])
    there = all(
        abs(p - started[n]) <= 2 * world.bench.axes[n].arrival_tolerance
        for n, p in world.bench.positions().items()
    )
    back = there and start > max(1.0, 3 * best)
    return Line(
        bench, light, seed, world.ratio(world.aligned()), start, best, end, end <= 1, claimed,
        count, back, seconds, status, reason,
    )  # fmt: skip


def say(text: str) -> None:
    """Print a line at once, so that a long campaign can be followed."""
    sys.stdout.write(text + "\n")
    sys.stdout.flush()


def told(world: World, event: Event, truly: float) -> str:
    """Return one measurement in a line: truth, what was measured, and where."""
    m, truth = event.measurement, world.truth(WITHIN)
    assert m is not None
    kinds = {p: list(s.flags) for p, s in m.profiles.items() if s.flags}
    measured = "not judged"
    if m.verdict is not None:
        measured = " ".join(
            f"{t.name}={t.deviation / t.tolerance:+.2f}±{t.uncertainty / t.tolerance:.2f}"
            for t in m.verdict.terms
        )
    ratios = world.design.tolerances
    true = (
        f"{truth.pointing_x / ratios[0]:+.2f} {truth.pointing_y / ratios[0]:+.2f} "
        f"{truth.divergence / ratios[1]:+.2f} {truth.ellipticity / ratios[2]:+.2f}"
    )
    at = " ".join(f"{n.split('.')[1]}={1e3 * p:.1f}" for n, p in world.bench.positions().items())
    return (
        f"  {event.measurements:3d} truly {truly:7.2f} [{true}] measured {measured} at {at} "
        f"{kinds or ''} {m.failure[:160]}"
    )


def summary(lines: Sequence[Line]) -> str:
    """Return what the lines say together."""
    done = sorted(line.measurements for line in lines if line.truly and line.claimed)
    of = len(lines)
    spent = "none in spec"
    if done:
        most = done[math.ceil(0.95 * len(done)) - 1]
        spent = f"measurements median {median(done):g}, 95 % {most}"
    return (
        f"{lines[0].bench} {lines[0].light}: truly in spec {sum(v.truly for v in lines)}/{of}, "
        f"claimed and true {len(done)}/{of}, {spent}; "
        f"false claims {sum(v.claimed and not v.truly for v in lines)}, "
        f"true but not claimed {sum(v.truly and not v.claimed for v in lines)}, "
        f"ends over 10 tolerances {sum(v.end > 10 for v in lines)}, "
        f"ends worse than the best place {sum(v.worse for v in lines)}, "
        f"returns to a much worse start {sum(v.went_back for v in lines)}, "
        f"failed {sum(v.status == 'failed' for v in lines)}"
    )


def main(arguments: Sequence[str] | None = None) -> int:
    """Run a campaign from the command line."""
    parser = argparse.ArgumentParser(description=__doc__.splitlines()[0])
    parser.add_argument("--bench", choices=sorted(BENCHES), default="one")
    parser.add_argument("--light", choices=sorted(LIGHTS), default="plain")
    parser.add_argument("--seeds", type=int, default=30)
    parser.add_argument("--first", type=int, default=0)
    parser.add_argument("--csv", type=Path)
    parser.add_argument("--steps", action="store_true", help="print every measurement")
    given = parser.parse_args(arguments)
    lines: list[Line] = []
    for seed in range(given.first, given.first + given.seeds):
        line = run(given.bench, given.light, seed, given.steps)
        lines.append(line)
        say(
            f"{seed:4d} truly {'yes' if line.truly else 'NO ':3} claimed "
            f"{'yes' if line.claimed else 'no ':3} measurements {line.measurements:3d} "
            f"start {line.start:7.1f} best {line.best:6.2f} end {line.end:7.2f} "
            f"aligned {line.aligned:5.2f}"
            f"{' WORSE THAN VISITED' if line.worse else ''}"
            f"{' WENT BACK' if line.went_back else ''} "
            f"{line.seconds:4.0f} s {line.status}: {line.reason[:140]}"
        )
    say(summary(lines))
    if given.csv:
        fresh = not given.csv.exists()
        with given.csv.open("a", newline="", encoding="utf-8") as file:
            writer = csv.DictWriter(file, asdict(lines[0]))
            if fresh:
                writer.writeheader()
            writer.writerows(map(asdict, lines))
    return 0


if __name__ == "__main__":
    raise SystemExit(main())
