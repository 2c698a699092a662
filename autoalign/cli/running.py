"""One run from the command line: a folder, a record, a picture, a report, and a summary."""

from __future__ import annotations

import contextlib
import signal
import threading
from collections.abc import Callable, Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autoalign.cli.exits import Exit, interrupted_words
from autoalign.cli.output import (
    AXIS_HEADER,
    TERM_HEADER,
    axis_rows,
    print_facts,
    print_pairs,
    print_table,
    print_text,
    term_rows,
    warn,
)
from autoalign.cli.progress import following, working
from autoalign.messages.serialise import result_facts
from autoalign.messages.words import WAVEFRONT_TITLE, own_figure, wavefront_rows

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.run.align import AlignmentResult
    from autoalign.session.actions import Budget

__all__ = ["Run", "carry_out", "exit_code", "free_folder", "heard", "politely", "print_run"]


_NAMES = ("run.db", "run.png", "report.html", "result.json", "check.json")
"""What a run or a check leaves in its folder; none of them is ever written over."""


@dataclass(frozen=True, slots=True, eq=False)
class Run:
    """A run that has ended: its result, where the axes were at first, and its files by name."""

    result: AlignmentResult
    start: dict[str, float]
    bench: Bench
    files: dict[str, Path]


def free_folder(wanted: Path) -> Path:
    """Return ``wanted``, or the next free name beside it where a file of a run is already there."""
    place, number = wanted, 2
    while any((place / name).exists() for name in _NAMES):
        place = wanted.with_name(f"{wanted.name}-{number}")
        number += 1
    place.mkdir(parents=True, exist_ok=True)
    return place


def carry_out(
    bench: Bench,
    wanted: Path,
    *,
    strategy: str | None,
    budget: Budget | None,
    seed: int,
    calibration: Path | None = None,
    fresh: bool = False,
    best_effort: bool = False,
) -> Run:
    """Align ``bench``; leave journal, picture, report and result in a new folder ``wanted``.

    Ctrl-C and a polite kill stop every axis and close the journal before they end the program.
    ``calibration`` is the file kept from earlier runs, and ``fresh`` ignores what it holds;
    ``best_effort`` as of :func:`~autoalign.run.align.align`.
    """
    from autoalign.journal import read_journal  # noqa: PLC0415
    from autoalign.report import draw_run, record_of  # noqa: PLC0415
    from autoalign.run.align import align  # noqa: PLC0415 - heavy

    start = bench.positions()
    folder = free_folder(wanted)
    journal = folder / "run.db"
    try:
        with politely(), following(f"Aligning {bench.name}", not bench.hand_axes) as progress:
            result = align(
                bench,
                strategy=strategy,
                budget=budget,
                seed=seed,
                journal=journal,
                calibration=calibration,
                fresh=fresh,
                best_effort=best_effort,
                progress=progress,
            )
    except KeyboardInterrupt:
        words, readable = interrupted_words(journal)
        warn(f"{words}\nautoalign report {journal} shows it." if readable else words)
        raise
    for remark in result.remarks:
        warn(remark)
    with working("Writing picture and report"):
        record = record_of(read_journal(journal))
        files = _written(
            folder,
            picture=("run.png", lambda path: draw_run(record, path)),
            report=("report.html", result.report),
            journal=("run.db", lambda path: path),
            result=("result.json", result.save),
        )
    return Run(result, start, bench, files)


def _written(folder: Path, **parts: tuple[str, Callable[[Path], Path]]) -> dict[str, Path]:
    """Return the files that could be written, by what they are; a full disk hides no verdict."""
    files = {}
    for what, (name, write) in parts.items():
        try:
            files[what] = write(folder / name)
        except OSError as error:
            warn(f"The {what} could not be written ({error.strerror or error}); the run is over.")
    return files


def exit_code(run: Run) -> Exit:
    """Return 0 where the beam was shown to be in spec, 3 where the strategy failed, else 1."""
    from autoalign.session.actions import Status  # noqa: PLC0415 - heavy

    if run.result.status is Status.FAILED:
        return Exit.FAULT
    return Exit.IN_SPEC if run.result.in_spec else Exit.NOT_IN_SPEC


def print_run(run: Run, json: bool, **more: Any) -> None:
    """Print how a run ended: facts as JSON, or words and tables for a person."""
    if json:
        files = {name: str(path) for name, path in run.files.items()}
        print_facts({**more, **result_facts(run.result), "files": files})
        return
    from autoalign.beam.standards.own_beam import OWN_TITLE  # noqa: PLC0415
    from autoalign.journal import read_journal  # noqa: PLC0415
    from autoalign.messages.verdict_words import headline, verdict_text  # noqa: PLC0415
    from autoalign.report import record_of  # noqa: PLC0415

    record = record_of(read_journal(run.files["journal"]))
    print_text(f"{headline(record)}. {verdict_text(record)}")
    print_text()
    result = run.result
    first = result.before.verdict if result.before is not None else None
    print_table(TERM_HEADER, term_rows(first, result.verdict))
    print_text()
    print_text(OWN_TITLE)
    print_pairs([(figure.name, own_figure(figure)) for figure in record.own_after])
    if result.wavefront is not None:
        print_text()
        print_text(WAVEFRONT_TITLE)
        print_pairs(wavefront_rows(result.wavefront))
    print_text()
    rows = axis_rows(result.positions, run.bench.axes, run.start)
    print_table(AXIS_HEADER, rows)
    print_text()
    for name, path in run.files.items():
        print_text(f"{name.capitalize():<8} {path}", wrap=False)


@contextlib.contextmanager
def politely() -> Iterator[None]:
    """Treat a polite kill and a lost terminal like Ctrl-C: stop the axes, close the journal, end.

    A second signal does not wait for that.
    """

    def interrupt(number: int, frame: object) -> None:
        raise KeyboardInterrupt

    with heard(interrupt, signal.SIGINT):
        yield


@contextlib.contextmanager
def heard(handler: Callable[[int, Any], None], *left_out: signal.Signals) -> Iterator[None]:
    """Have ``handler`` called at every signal that asks the program to end.

    These are Ctrl-C, a polite kill, and the loss of the terminal or of the connection to it, which
    would end the program at once and leave axes moving. Signals in ``left_out``, and those that
    whoever started the program has told it to ignore, stay as they are.
    """
    if threading.current_thread() is not threading.main_thread():
        yield
        return
    wanted = [
        signal.SIGINT,
        signal.SIGTERM,
        *([signal.SIGHUP] if hasattr(signal, "SIGHUP") else []),
    ]
    before = {
        number: signal.signal(number, handler)
        for number in wanted
        if number not in left_out and signal.getsignal(number) is not signal.SIG_IGN
    }
    try:
        yield
    finally:
        for number, previous in before.items():
            signal.signal(number, previous)
