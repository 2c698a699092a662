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
    yes: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Check the wiring of a bench: move each axis alone by tiny steps, measure, and go back.

    First of all STOP is tried on each controller, in a move of a fiftieth of an axis' travel.

    Reports whether each axis moves at all, which way, how far, with how much backlash, how well
    it repeats, what else it moves and how long it takes to come to rest; of the cameras whether
    they are exchanged or mirrored. With a layout in the bench file this is compared with what
    should be detected. No step is made larger to be measured better, and at the end every axis is
    back where it was. Ctrl-C stops every axis and closes the journal.

    Exit code 0 if all is well, 1 if something was found.

    Before the first move of a real bench, once every controller and every camera has answered, a
    caution is printed, and the program waits for Enter. Before motors start after a question to
    turn a screw you are asked whether hands are clear.

    Cautions: motors start without warning and the beam moves a little. Block the beam or dim it to
    alignment power; wear eyewear for its wavelength; take off watches and rings; block what passes
    the edge of the optic; keep hands away. A person in the beam's way is not detected, and the
    program never switches the light off. Local rules, the laser safety officer and licensed
    practice decide; software limits and stops are no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    axes
        Names of the axes to try, separated by commas; by default all that are not locked.
    output
        Folder for the journal; by default a new one in the user's data folder. An earlier run
        is never overwritten.
    yes
        Print the caution and go on without waiting for Enter: for scripts, once the precautions
        have been taken. Without it a real bench needs a terminal, else nothing is opened (exit
        code 2). Questions to turn a screw, and whether hands are clear after one, still need a
        person.
    json
        Print the result as JSON.
    """
    from autoalign.cli.align_command import default_folder  # noqa: PLC0415
    from autoalign.cli.caution import caution, check_attended  # noqa: PLC0415
    from autoalign.cli.check_facts import check_facts, print_check  # noqa: PLC0415
    from autoalign.cli.output import print_facts  # noqa: PLC0415
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy

    file = read_bench_file(bench)
    folder = output or default_folder(file.tables.bench.name)
    names = None if axes is None else [a.strip() for a in axes.split(",") if a.strip()]
    check_attended(file, yes)
    with file.open() as opened:
        caution(file, opened, yes)
        result = _carry_out(opened, folder, names)
    if json:
        print_facts(check_facts(result))
    else:
        print_check(result)
    return _exit(result)


def _carry_out(bench: Bench, wanted: Path, axes: list[str] | None) -> CheckResult:
    from autoalign.check import check_bench as carry_out  # noqa: PLC0415 - heavy
    from autoalign.cli.check_facts import check_facts  # noqa: PLC0415
    from autoalign.cli.exits import interrupted_words  # noqa: PLC0415
    from autoalign.cli.output import warn  # noqa: PLC0415
    from autoalign.cli.progress import following  # noqa: PLC0415
    from autoalign.cli.running import free_folder, politely  # noqa: PLC0415
    from autoalign.messages.serialise import write_facts  # noqa: PLC0415

    start = bench.positions()
    folder = free_folder(wanted)
    journal = folder / "run.db"
    try:
        with politely(), following(f"Checking {bench.name}", not bench.hand_axes) as progress:
            result = carry_out(bench, axes=axes, journal=journal, progress=progress)
    except KeyboardInterrupt:
        stood = ", ".join(f"{n} {p:.6g} {bench.axes[n].unit}" for n, p in start.items())
        words, readable = interrupted_words(journal)
        where = f"\nThe journal is {journal}." if readable else ""
        warn(
            f"{words}\nThe axes started at {stood}; none is further from there than a "
            f"fiftieth of its travel.{where}"
        )
        raise
    write_facts(folder / "check.json", check_facts(result))
    return result


def _exit(result: CheckResult) -> Exit:
    from autoalign.session import Status  # noqa: PLC0415

    if result.status is Status.HELD:
        return Exit.HELD
    return Exit.IN_SPEC if result.well else Exit.NOT_IN_SPEC
