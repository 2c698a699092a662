"""What is said before anything moves on a real bench, and the Enter that is waited for.

Everything has been found to work by then: the file, every controller and every camera.
"""

from __future__ import annotations

import sys
import textwrap
from typing import TYPE_CHECKING

from autoalign.cli.output import WIDTH, note, warn
from autoalign.core.cautions import before_motion
from autoalign.core.errors import UsageError

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.config import BenchFile

__all__ = ["caution", "check_attended", "say_caution"]


def check_attended(file: BenchFile, yes: bool) -> None:
    """Refuse where the caution could neither be read nor answered; before anything is opened.

    Raises
    ------
    UsageError
        Where the bench is real, standard input is no terminal, and ``yes`` was not given.
    """
    if file.tables.simulation is None and not yes and not _terminal():
        raise UsageError(
            "this moves a real bench and waits for Enter first, and standard input is no terminal. "
            "Nothing was opened. Run it in a terminal; or, where a script starts it and the "
            "precautions have been taken, add --yes."
        )


def caution(file: BenchFile, bench: Bench, yes: bool, *, unattended: bool = False) -> None:
    """See that everything answers, print the caution, and wait for Enter; not if simulated.

    Reads every axis and takes one exposure with every detector. ``yes``: the caution is printed
    and not waited for. ``unattended``: motors will start while nobody is there.

    Raises
    ------
    HardwareError
        Where an axis or a detector does not answer.
    HeldError
        Where the person says stop, or nobody answers.
    """
    if file.tables.simulation is not None:
        return
    _check_answering(bench)
    say_caution(file, bench, ask=bool(bench.motors) and not yes, unattended=unattended)


def say_caution(file: BenchFile, bench: Bench, *, ask: bool, unattended: bool = False) -> None:
    """Print the caution, and wait for Enter where ``ask``.

    Raises
    ------
    HeldError
        Where the person says stop, or nobody answers.
    """
    light = file.layout.light.lines if file.layout is not None else ()
    lines = before_motion(*(wavelength for wavelength, _ in light), unattended=unattended)
    warn("\n".join(textwrap.fill(line, WIDTH) for line in lines))
    if ask:
        # The word has to be given now: what was said before does not count.
        bench.hands.clear = False
        bench.hands.confirm_clear()


def _check_answering(bench: Bench) -> None:
    bench.statuses()
    now = bench.clock.now()
    for detector in bench.detectors.values():
        detector.acquire(1, now, now + 35.0)
    seen = f" and {len(bench.detectors)} detectors" if bench.detectors else ""
    note(f"{len(bench.axes)} axes{seen} answer.")


def _terminal() -> bool:
    try:
        return sys.stdin.isatty()
    except (AttributeError, ValueError):
        return False
