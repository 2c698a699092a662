"""``autoalign check``: is every axis and every camera wired as the bench file says?"""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.exits import Exit

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.check import CheckResult

__all__ = ["check"]


def check(
    bench: Path,
    /,
    *,
    axes: str | None = None,
    output: Path | None = None,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Check the wiring of a bench: move each axis alone by tiny steps, look, and go back.

    Says of each axis whether it moves at all, which way, how far, with how much play, how well it
    repeats, what else it moves and how long it takes to come to rest; of the cameras whether they
    are exchanged or mirrored. With a layout in the bench file this is compared with what should be
    seen. No step is made larger to see better, and at the end every axis stands where it stood.
    Ctrl-C stops every axis where it is and closes the record.

    Exit code 0 where all is well, 1 where something was found.

    Cautions: motors start without warning and the beam moves a little. Lower the power, keep hands
    away. Local rules and the laser safety officer decide; software limits and stops are no safety
    function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    axes
        Names of the axes to try, with commas between; all that are not held where not given.
    output
        Folder for the record; a new one in the user's data folder where not given. An earlier run
        is never overwritten.
    json
        Print facts as JSON.
    """
    from autoalign.cli.align_command import default_folder  # noqa: PLC0415
    from autoalign.cli.caution import caution  # noqa: PLC0415
    from autoalign.cli.check_facts import check_facts, print_check  # noqa: PLC0415
    from autoalign.cli.output import print_facts  # noqa: PLC0415
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy

    file = read_bench_file(bench)
    folder = output or default_folder(file.tables.bench.name)
    names = None if axes is None else [a.strip() for a in axes.split(",") if a.strip()]
    by_hand = any(stage.driver == "hand" for stage in file.tables.stages.values())
    caution(file)
    with file.open() as opened:
        result = _carry_out(opened, folder, names, by_hand)
    if json:
        print_facts(check_facts(result))
    else:
        print_check(result)
    return _exit(result)


def _carry_out(bench: Bench, wanted: Path, axes: list[str] | None, by_hand: bool) -> CheckResult:
    from autoalign.check import check as carry_out  # noqa: PLC0415 - heavy
    from autoalign.cli.check_facts import check_facts  # noqa: PLC0415
    from autoalign.cli.interrupted import interrupted_words  # noqa: PLC0415
    from autoalign.cli.output import warn  # noqa: PLC0415
    from autoalign.cli.progress import following  # noqa: PLC0415
    from autoalign.cli.running import free_folder, politely  # noqa: PLC0415
    from autoalign.messages.serialise import write_facts  # noqa: PLC0415

    start = bench.positions()
    folder = free_folder(wanted)
    journal = folder / "run.db"
    try:
        with politely(), following(f"Checking {bench.name}", not by_hand) as progress:
            result = carry_out(bench, axes=axes, journal=journal, progress=progress)
    except KeyboardInterrupt:
        stood = ", ".join(f"{n} {p:.6g} {bench.axes[n].unit}" for n, p in start.items())
        words, readable = interrupted_words(journal)
        where = f"\nThe record is {journal}." if readable else ""
        warn(
            f"{words}\nAt first the axes stood at {stood}; none is further from there than its "
            f"tiny step.{where}"
        )
        raise
    write_facts(folder / "check.json", check_facts(result))
    return result


def _exit(result: CheckResult) -> Exit:
    from autoalign.session import Status  # noqa: PLC0415

    if result.status is Status.HELD:
        return Exit.HELD
    return Exit.IN_SPEC if result.well else Exit.NOT_IN_SPEC
