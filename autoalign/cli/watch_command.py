"""``autoalign watch``: keep a bench aligned, in the foreground, until told to stop."""

from __future__ import annotations

import signal
import threading
from collections.abc import Iterator
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.align_command import budget_of, checked_strategy
from autoalign.cli.caution import caution
from autoalign.cli.exits import Exit
from autoalign.cli.numbers import Amount, option_value, whole
from autoalign.cli.output import print_facts, print_pairs, print_text, warn
from autoalign.cli.outputs import memory_file
from autoalign.messages.serialise import status_facts

if TYPE_CHECKING:
    from autoalign.watch.policy import Decision
    from autoalign.watch.service import WatchSummary

__all__ = ["watch"]

_LONGEST = 1000 * 3600.0
"""The longest time between looks, s; beyond it nobody watches anything."""


def watch(
    bench: Path,
    /,
    *,
    output: Path,
    every: Amount = "10 min",
    strategy: str | None = None,
    looks: int | None = None,
    memory: Path | None = None,
    fresh: Annotated[bool, Parameter(negative="")] = False,
    clear: str = "",
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Keep a bench aligned: look on a schedule, realign when out of spec or about to be.

    Stands still on anything unexpected (no light, a jump, an axis that moved by itself, a camera
    that fails), goes on by itself once that is over and steady, and stops for a person where it
    cannot judge. Ctrl-C ends it in an orderly way.

    Looks, time and travel of the budget count anew for every realignment; more than 6 realignments
    in 24 h are a hold.

    An incident holds the watches of its own folder only: it does not keep a watch with another
    folder, nor an alignment, from moving the bench.

    Cautions: motors start without warning while this runs, also at night. Mark the bench, keep
    covers closed. Local rules and the laser safety officer decide; software limits, holds and
    stops are no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    output
        Folder for the records and status.json; one watch at a time may use it.
    every
        Time between looks, with its unit; 1000 h at the most.
    strategy
        Who realigns; the bench file's where not given.
    looks
        End after so many looks; without it the watch ends when it is stopped.
    memory
        File in which the bench remembers itself; beside the bench file where not given. It is
        written after every realignment that was verified to be in spec.
    fresh
        Do not use what the file remembers.
    clear
        Number of the incident for which an earlier watch made the bench safe. Look at the bench
        first: this lets it move again.
    json
        Print what was done as JSON at the end.
    """
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.plugins import plugin  # noqa: PLC0415
    from autoalign.run.calibration_file import memory_path  # noqa: PLC0415
    from autoalign.watch.policy import Policy  # noqa: PLC0415
    from autoalign.watch.service import Watch  # noqa: PLC0415

    if looks is not None:
        whole("--looks", looks, 1)
    kept = memory_file("--memory", memory)
    policy = Policy(interval=_interval(every))
    file = read_bench_file(bench)
    chosen = checked_strategy(strategy) or file.strategy or "model"
    caution(file, unattended=True)
    with file.open() as opened, _stop_flag() as stop:
        service = Watch(
            opened, plugin("strategies", chosen), output, policy=policy, budget=budget_of(file),
            memory=kept or memory_path(bench), fresh=fresh,
            follow=None if json else _tell, stop=stop, cleared=clear,
        )  # fmt: skip
        for remark in service.memory.remarks:
            warn(remark)
        summary = service.run(looks=looks)
    _print(summary, output, json)
    return _exit(summary)


def _interval(text: str) -> float:
    """Return the time between looks, s."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    interval = option_value("--every", text, "s")
    if not 0 < interval <= _LONGEST:
        raise UsageError(
            f"--every {text!r}: a time above 0 and up to {_LONGEST / 3600:g} h is needed, for "
            'instance "10 min". Nothing was started.'
        )
    return interval


@contextmanager
def _stop_flag() -> Iterator[threading.Event]:
    """Ctrl-C and a polite kill set the flag; a second Ctrl-C interrupts at once."""
    flag = threading.Event()

    def ask(number: int, frame: object) -> None:
        if flag.is_set():
            raise KeyboardInterrupt
        flag.set()
        warn("Stopping; once more stops at once.")

    if threading.current_thread() is not threading.main_thread():
        yield flag
        return
    before = {s: signal.signal(s, ask) for s in (signal.SIGINT, signal.SIGTERM)}
    try:
        yield flag
    finally:
        for number, handler in before.items():
            signal.signal(number, handler)


def _tell(time: float, decision: Decision) -> None:
    from autoalign.messages.words import span_of_time  # noqa: PLC0415

    print_text(f"{span_of_time(time):>10}  {decision.step.value:8}  {decision.reason}", wrap=False)


def _print(summary: WatchSummary, folder: Path, json: bool) -> None:
    if json:
        assert summary.status is not None
        print_facts({**status_facts(summary.status), "records": str(folder)})
        return
    pairs = {
        "state": summary.state.value,
        "reason": summary.reason,
        "looks": summary.looks,
        "looks in spec": summary.in_spec,
        "realignments": summary.realignments,
        "realignments that ended in spec": summary.realigned_in_spec,
        "holds": summary.holds,
        "records": str(folder),
    }
    print_text()
    print_pairs([(k.capitalize(), str(v) or "none") for k, v in pairs.items()], indent="")


def _exit(summary: WatchSummary) -> Exit:
    from autoalign.run.guard import Latch  # noqa: PLC0415

    return Exit.IN_SPEC if summary.state is Latch.RUN else Exit.HELD
