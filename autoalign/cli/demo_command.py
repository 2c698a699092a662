"""``autoalign demo``: the whole job on a simulated bench, over a real serial line."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

if TYPE_CHECKING:
    from autoalign.config import BenchFile
    from autoalign.config.opening import OpenBench

__all__ = ["demo"]

Link = Literal["pty", "tcp", "loop", "direct"]

CAUTION = (
    "This bench is simulated. On a real one motors start without warning and the beam swings: "
    "block it or dim it first, wear eyewear for its wavelength, take off watches and rings. "
    "Local rules, the laser safety officer and licensed practice decide what may be "
    "done. Software limits and stops are no safety function."
)


def demo(
    *,
    seed: int = 0,
    output: Path = Path("demo-run"),
    link: Link | None = None,
    strategy: str | None = None,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Align a simulated, misaligned bench and leave a picture and a report.

    The bench is the input arm of a made-up gas spectrometer: a 100 µm fibre in the focus of a 35°
    off-axis paraboloid, cameras at 0.4 m and 2.4 m, six motorised axes. Its motion controllers are
    simulated, and addressed over a serial line like real ones.

    Parameters
    ----------
    seed
        Seed of misalignment, imperfections and noise; the same seed gives the same bench.
    output
        Folder for the picture, the report and the journal. An earlier run is never overwritten.
    link
        Serial link to the simulated controllers: pty (pseudo-terminals; the default if the system
        has them), tcp, loop (inside the process; the default otherwise) or direct (no link).
    strategy
        Search strategy; "autoalign plugins strategies" lists them.
    json
        Print the result as JSON.
    """
    from autoalign.cli.align_command import budget_of, checked_strategy  # noqa: PLC0415
    from autoalign.cli.numbers import checked_seed  # noqa: PLC0415
    from autoalign.cli.output import print_text  # noqa: PLC0415
    from autoalign.cli.running import carry_out, exit_code, print_run  # noqa: PLC0415
    from autoalign.config import example, read_bench_file  # noqa: PLC0415

    checked_seed("--seed", seed)
    chosen = link or ("loop" if sys.platform == "win32" else "pty")
    file = read_bench_file(example("demo"), {"simulation.seed": seed, "simulation.link": chosen})
    searcher = checked_strategy(strategy) or file.strategy
    with file.open() as bench:
        if not json:
            _introduce(file, bench, chosen, seed)
        run = carry_out(bench, output, strategy=searcher, budget=budget_of(file), seed=seed)
        print_run(run, json, link=chosen, ports=getattr(bench, "ports", {}))
        if not json:
            print_text()
            print_text(CAUTION)
            print_text()
            print_text(
                "For a bench of your own: autoalign plan --template > bench.toml", wrap=False
            )
        return exit_code(run)


def _introduce(file: BenchFile, bench: OpenBench, link: Link, seed: int) -> None:
    from autoalign.cli.output import print_text  # noqa: PLC0415

    print_text(
        f"{file.tables.bench.name}, seed {seed}: {len(bench.axes)} axes, "
        f"{len(bench.detectors)} cameras."
    )
    print_text(f"{_link_words(link, bench)}")
    print_text(f"Bench file: {file.source}", wrap=False)
    print_text()


def _link_words(link: Link, bench: OpenBench) -> str:
    ports = ", ".join(f"{stage} on {port}" for stage, port in bench.ports.items())
    faster = f" Simulated time runs {bench.speed:g} times faster than life." if bench.speed else ""
    return {
        "pty": f"Serial link: pseudo-terminals, through the operating system ({ports}).{faster}",
        "tcp": f"Serial link: TCP on this computer ({ports}).{faster}",
        "loop": f"Serial link: inside this process ({ports}); no operating system between.",
        "direct": "No serial link: the simulated stages are called directly.",
    }[link]
