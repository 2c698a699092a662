"""``autoalign move`` and ``autoalign home``: axes moved by hand."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.run.by_hand import Moves

__all__ = ["home", "move"]

Words = Annotated[tuple[str, ...], Parameter(allow_leading_hyphen=True)]


def move(
    bench: Path,
    /,
    *where: Annotated[str, Parameter(allow_leading_hyphen=True)],
    to: str | None = None,
    back: Annotated[bool, Parameter(negative="")] = False,
    output: Path | None = None,
    yes: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Move axes of a bench: "source.x +0.1 mm", "mirror.tip to 2 mrad", or several.

    With a sign, or after "by", the amount is how far to go on from where the axis is; after "to" it
    is a position. Every move stays inside the soft limits, takes up the backlash, is read back at
    its target, and is recorded in a journal before it begins. Ctrl-C stops every axis.

    Before the move of a real bench a caution is printed, which you confirm with Enter; a bench
    whose ports another program has open is not moved.

    Cautions: motors start without warning and the beam swings. Block the beam or dim it to
    alignment power; wear eyewear for its wavelength; take off watches and rings; block what passes
    the edge of the optic; keep hands away. A person in the beam's way is not detected, and the
    program never switches the light off. Local rules, the laser safety officer and licensed
    practice decide; software limits and stops are no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    where
        Axes, each with how far or where to.
    to
        Name of saved positions to go to; with axes, only these. "autoalign where --save" saves.
    back
        Go back to where the last move by hand started.
    output
        Folder for the journals of moves by hand; by default one in the user's data folder for each
        bench.
    yes
        Print the caution and go on without waiting for Enter: for scripts, once the precautions
        have been taken.
    json
        Print the result as JSON.
    """
    from autoalign.cli.by_hand import (  # noqa: PLC0415
        NamedPositions,
        journal_folder,
        last_move,
        new_journal,
        opened_to_move,
        typed_targets,
    )
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.run.by_hand import move_axes  # noqa: PLC0415

    if (to is not None) + back + bool(where and to is None) != 1:
        raise UsageError(
            "say where to move: axes with amounts, --to with a name, or --back; one of the three. "
            "Nothing was moved."
        )
    file = read_bench_file(bench)
    folder = journal_folder(file.tables.bench.name, output)
    saved = NamedPositions(bench).recall(to) if to is not None else {}
    targets = last_move(folder) if back else dict(saved)
    with opened_to_move(file, yes) as opened:
        if to is not None:
            targets = _chosen(saved, where, opened)
        elif not back:
            targets = typed_targets(where, opened)
        journal = new_journal(folder)
        moves = move_axes(opened, targets, journal)
        _print(opened, moves, list(targets), journal, json)
    return 0


def home(
    bench: Path,
    /,
    *axes: str,
    output: Path | None = None,
    yes: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Send axes to their references, one after the other.

    How an axis is homed is the bench file's ("home" of its stage). The way to the reference leaves
    the soft limits out of account: make sure that nothing is in it. Ctrl-C stops every axis.

    Cautions: motors start without warning and the beam swings. Block the beam or dim it to
    alignment power; wear eyewear for its wavelength; take off watches and rings; block what passes
    the edge of the optic; keep hands away. A person in the beam's way is not detected, and the
    program never switches the light off. Local rules, the laser safety officer and licensed
    practice decide; software limits and stops are no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    axes
        Names of the axes.
    output
        Folder for the journals of moves by hand; by default one in the user's data folder for each
        bench.
    yes
        Print the caution and go on without waiting for Enter: for scripts, once the precautions
        have been taken.
    json
        Print the result as JSON.
    """
    from autoalign.cli.by_hand import journal_folder, new_journal, opened_to_move  # noqa: PLC0415
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.run.by_hand import home_axes  # noqa: PLC0415

    file = read_bench_file(bench)
    folder = journal_folder(file.tables.bench.name, output)
    with opened_to_move(file, yes) as opened:
        journal = new_journal(folder)
        moves = home_axes(opened, axes, journal)
        _print(opened, moves, list(axes), journal, json)
    return 0


def _chosen(saved: dict[str, float], where: tuple[str, ...], bench: Bench) -> dict[str, float]:
    """Return the saved positions of the axes named, or of all that are not locked."""
    from autoalign.core.errors import unknown_name  # noqa: PLC0415

    names = list(where) or [n for n in saved if n in bench.free_axes]
    for name in names:
        if name not in saved or name not in bench.axes:
            raise unknown_name(
                "axis", name, [n for n in saved if n in bench.axes], "saved position"
            )
    return {n: saved[n] for n in names}


def _print(bench: Bench, moves: Moves, names: list[str], journal: Path, json: bool) -> None:
    from autoalign.cli.output import AXIS_HEADER, axis_rows, print_facts, print_table, print_text  # noqa: PLC0415  # noqa: PLC0415
    from autoalign.core.units import edge, edge_unit  # noqa: PLC0415

    if json:
        axes = {
            n: {
                "start": edge(moves.before[n], bench.axes[n].unit),
                "end": edge(moves.after[n], bench.axes[n].unit),
                "unit": edge_unit(bench.axes[n].unit),
            }
            for n in names
        }
        print_facts({"axes": axes, "journal": str(journal)})
        return
    rows = axis_rows({n: moves.after[n] for n in names}, bench.axes, moves.before)
    print_table(AXIS_HEADER, rows)
    print_text(f"Journal {journal}", wrap=False)
