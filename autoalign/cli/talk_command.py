"""``autoalign talk``: a controller or meter spoken to by hand, with the bytes both ways."""

from __future__ import annotations

import sys
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from autoalign.cli.exits import Exit

if TYPE_CHECKING:
    from autoalign.config import BenchFile

__all__ = ["talk"]

HELP = """\
Type a command; it is sent as it stands, with the line end of the bench file.
?ask asks everything that the bench file asks; ?stop sends its STOP; ?end (or Ctrl-D) ends.
"""


def talk(
    bench: Path,
    device: str,
    /,
    *,
    ask: Annotated[bool, Parameter(negative="")] = False,
    yes: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Talk to one controller or meter of a bench file, and see the bytes both ways.

    First everything that the bench file asks is asked once: the bytes that were sent and came, and
    what was understood. Then you type commands. With --ask it ends before that, and nothing can
    move.

    What you type is sent as it stands: no soft limit, no backlash and no journal is between you and
    the motors. At the end of a conversation in which something was typed, STOP is sent. A port that
    another program has open is refused.

    Cautions: motors start without warning and the beam swings. Block the beam or dim it to
    alignment power; wear eyewear for its wavelength; take off watches and rings; block what passes
    the edge of the optic; keep hands away. A person in the beam's way is not detected, and the
    program never switches the light off. Local rules, the laser safety officer and licensed
    practice decide; a STOP sent here is no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    device
        Name of a stage or a detector in it.
    ask
        Only ask what the bench file asks. Exit code 1 if something was not understood.
    yes
        Print the caution and go on without waiting for Enter.
    json
        Print what was asked and understood as JSON; only with --ask.
    """
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    if json and not ask:
        raise UsageError("--json needs --ask: a conversation is no data.")
    file = read_bench_file(bench)
    with file.talk(device) as line:
        asked = list(line.ask_all())
        if json:
            _print_json(asked)
        else:
            _print_asked(asked)
        bad = any(a.problem for a in asked)
        if ask:
            return Exit.NOT_IN_SPEC if bad else Exit.IN_SPEC
        _caution(file, yes)
        return _converse(line)


def _caution(file: BenchFile, yes: bool) -> None:
    from autoalign.bench import Bench  # noqa: PLC0415
    from autoalign.cli.caution import check_attended, say_caution  # noqa: PLC0415

    check_attended(file, yes)
    if file.tables.simulation is None:
        say_caution(file, Bench(file.tables.bench.name, {}, {}), ask=not yes)


def _converse(line: Any) -> int:
    """Send what is typed until the end, and STOP at the end if anything was."""
    from autoalign.cli.output import print_text, warn  # noqa: PLC0415

    typed = False
    print_text(HELP.rstrip(), wrap=False)
    try:
        while True:
            try:
                text = input(f"{line.where}> " if sys.stdin.isatty() else "").strip()
            except EOFError:
                break
            if text == "?end":
                break
            if text == "?ask":
                _print_asked(list(line.ask_all()))
            elif text == "?stop":
                print_text(line.stop())
            elif text:
                typed = True
                _print_exchange(line.say(text))
    finally:
        if typed:
            warn(f"At the end: {line.stop()}")
    return Exit.IN_SPEC


def _print_asked(asked: list[Any]) -> None:
    from autoalign.cli.output import print_text  # noqa: PLC0415

    for one in asked:
        print_text(one.name, wrap=False)
        for exchange in one.exchanges:
            _print_exchange(exchange)
        print_text(f"= {one.understood}" if not one.problem else f"NOT UNDERSTOOD: {one.problem}",
                   indent="  ")  # fmt: skip


def _print_exchange(exchange: Any) -> None:
    from autoalign.cli.output import print_text  # noqa: PLC0415

    if exchange.sent:
        print_text(f"  > {_shown(exchange.sent)}", wrap=False)
    for piece in exchange.came:
        print_text(f"  < {_shown(piece)}", wrap=False)
    if not exchange.came:
        print_text("  (nothing came)", wrap=False)


def _shown(data: bytes) -> str:
    """Return bytes as a person reads them: text in quotes, what is none as numbers."""
    return repr(data)[1:]


def _print_json(asked: list[Any]) -> None:
    from autoalign.cli.output import print_facts  # noqa: PLC0415

    print_facts(
        [
            {
                "name": one.name,
                "understood": one.understood,
                "problem": one.problem,
                "exchanges": [
                    {"sent": _shown(e.sent), "came": [_shown(p) for p in e.came]}
                    for e in one.exchanges
                ],
            }
            for one in asked
        ]
    )
