"""``autoalign watch``: keep a bench aligned, in the foreground, until it is stopped."""

from __future__ import annotations

import threading
from collections.abc import Callable, Iterator, Mapping
from contextlib import contextmanager, suppress
from datetime import datetime
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

from autoalign.cli.align_command import budget_of, checked_strategy
from autoalign.cli.caution import caution, check_attended
from autoalign.cli.exits import Exit
from autoalign.cli.numbers import Amount, option_value, whole
from autoalign.cli.output import calibration_file, print_facts, print_pairs, print_text, warn
from autoalign.cli.running import heard
from autoalign.messages.serialise import status_facts

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.config import BenchFile
    from autoalign.run.guard import MoveGuard
    from autoalign.watch.events import Decision
    from autoalign.watch.service import WatchSummary

__all__ = ["watch"]

_LONGEST = 1000 * 3600.0
"""The longest time between measurements, s; beyond it nobody watches anything."""


def watch(
    bench: Path,
    /,
    *,
    output: Path,
    every: Amount = "10 min",
    strategy: str | None = None,
    measurements: int | None = None,
    calibration: Path | None = None,
    fresh: Annotated[bool, Parameter(negative="")] = False,
    clear: str = "",
    quiet: tuple[str, ...] = (),
    interlock: str | None = None,
    notify: str | None = None,
    webhook: str | None = None,
    unit: Annotated[bool, Parameter(negative="")] = False,
    yes: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Keep a bench aligned: measure on a schedule, realign when out of spec or about to be.

    Pauses on anything unexpected (no light, a jump, an axis that moved by itself, a camera that
    fails) and goes on by itself once that is over and steady. Where it cannot judge it latches the
    bench: nothing moves until a person clears the incident. The light is not switched. Ctrl-C ends
    it in an orderly way.

    It decides by all measurements since the last move together, with the noise of each: it realigns
    only once the beam has left the spec, or will before the next measurement, with a probability of
    97.5 %, and averages more exposures where one is too noisy to tell. Measurements, time and
    travel of the budget count anew for every realignment. A fourth realignment within an hour
    waits; a thirteenth within 24 h is a pause.

    A file called "local" in the folder, with your name in it, keeps everything at rest while you
    work at the bench; remove it to hand the bench back. A line that breaks is opened again, with
    the controller's identity and the positions checked; an outage of 24 h latches the bench.

    An incident keeps the watches of its own folder from moving the bench; it does not keep a watch
    with another folder, nor an alignment, from doing so.

    A bench with free hand-turned axes is refused: nobody is there to turn them. Before it starts on
    a real bench, once every controller and every camera has answered, a caution is printed,
    which you confirm with Enter.

    Cautions: motors start without warning while this runs, at night as well. Put a notice at the
    door with a name to call, close covers; block what passes the edge of the optic; before you go
    to the bench block the beam or dim it, wear eyewear for its wavelength, take off watches and
    rings. A person in the beam's way is not detected, and the program never switches the light off.
    Local rules, the laser safety officer and licensed practice decide; software limits, pauses and
    latches are no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    output
        Folder for the journals and status.json; one watch at a time may use it.
    every
        Time between measurements, with its unit; 1000 h at the most.
    strategy
        Search strategy of a realignment; by default that of the bench file.
    measurements
        Number of measurements after which the watch ends; without it the watch runs until it is
        stopped.
    calibration
        Calibration file kept from earlier runs; by default beside the bench file. It is written
        after every realignment that ended in spec.
    fresh
        Ignore the calibration file.
    clear
        Number of the incident for which an earlier watch latched the bench. Check the bench first,
        with the beam blocked or at alignment power: this lets it move again.
    quiet
        Times of day in which nothing is realigned, for instance "08:00-18:30"; the option may be
        repeated.
    interlock
        Command that ends with exit code 0 while the bench may be moved, for instance one that reads
        the contact of a cover. It is asked before every move and about twice a second during one;
        anything else stops every axis. It protects equipment, never people: what protects people
        has to be hardware.
    notify
        Command that is run whenever the state changes (watching, paused, latched, ended), with the
        facts as JSON on its standard input. The watch never waits for it.
    webhook
        Web address that the same JSON is posted to, a few times if it fails. The body is signed
        with HMAC-SHA256 in the header Autoalign-Signature; the key is the environment variable
        AUTOALIGN_WEBHOOK_KEY.
    unit
        Print a unit of systemd that runs this watch with the same options, and do nothing else.
    yes
        Print the caution and go on without waiting for Enter: for scripts, once the precautions
        have been taken. Without it a real bench needs a terminal, else nothing is opened (exit
        code 2).
    json
        Print the result as JSON at the end.
    """
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.plugins import plugin  # noqa: PLC0415
    from autoalign.run.calibration_file import calibration_path  # noqa: PLC0415
    from autoalign.watch.policy import Policy, Quiet  # noqa: PLC0415
    from autoalign.watch.service import Watch  # noqa: PLC0415

    if measurements is not None:
        whole("--measurements", measurements, 1)
    kept = calibration_file("--calibration", calibration)
    policy = Policy(interval=_interval(every), quiet=tuple(Quiet.read(text) for text in quiet))
    file = read_bench_file(bench)
    chosen = checked_strategy(strategy) or file.strategy or "model"
    if unit:
        return _print_unit(file.tables.bench.name)
    check_attended(file, yes)
    stop = threading.Event()
    with file.open() as opened, _telling(notify, webhook) as told:
        service = Watch(
            opened, plugin("strategies", chosen), output, policy=policy, budget=budget_of(file),
            calibration=kept or calibration_path(bench), fresh=fresh,
            follow=None if json else _tell, remark=lambda words: warn(f"Note: {words}."),
            stop=stop, cleared=clear, reopen=_reopening(file), guard=_guard(opened, interlock),
            notify=told,
        )  # fmt: skip
        for remark in service.calibration.remarks:
            warn(remark)
        caution(file, opened, yes, unattended=True)
        with _setting(stop):
            summary = service.run(measurements=measurements)
    _print(summary, output, json)
    return _exit(summary)


def _interval(text: str) -> float:
    """Return the time between measurements, s."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    interval = option_value("--every", text, "s")
    if not 0 < interval <= _LONGEST:
        raise UsageError(
            f"--every {text!r}: a time above 0 and up to {_LONGEST / 3600:g} h is needed, for "
            'instance "10 min". Nothing was started.'
        )
    return interval


@contextmanager
def _setting(flag: threading.Event) -> Iterator[None]:
    """Have Ctrl-C, a polite kill and a lost terminal set the flag; a second one interrupts."""

    def ask(number: int, frame: object) -> None:
        if flag.is_set():
            raise KeyboardInterrupt
        flag.set()
        warn("Stopping after this step. Press Ctrl-C again to stop immediately.")

    if threading.current_thread() is not threading.main_thread():
        yield
        return
    with heard(ask):
        yield


def _tell(time: datetime, decision: Decision) -> None:
    when = time.astimezone().strftime("%Y-%m-%d %H:%M:%S")
    print_text(f"{when}  {decision.step.value:9}  {decision.reason}", wrap=False)


def _print_unit(bench: str) -> int:
    import sys  # noqa: PLC0415

    from autoalign.watch.notify import unit as unit_text  # noqa: PLC0415

    options = [word for word in sys.argv[1:] if word != "--unit"]
    if "--yes" not in options:
        options.append("--yes")
    words = [sys.executable, "-m", "autoalign", *options]
    print_text(unit_text(words, Path.cwd(), bench).rstrip(), wrap=False)
    return Exit.IN_SPEC


@contextmanager
def _telling(
    command: str | None, webhook: str | None
) -> Iterator[Callable[[Mapping[str, Any]], None] | None]:
    """Give what tells others of changes; None where nobody is to be told."""
    import os  # noqa: PLC0415
    import shlex  # noqa: PLC0415

    from autoalign.watch.notify import Notifier, command_sink, webhook_sink  # noqa: PLC0415

    sinks = [] if command is None else [command_sink(shlex.split(command))]
    if webhook is not None:
        key = os.environ.get("AUTOALIGN_WEBHOOK_KEY", "")
        sinks.append(webhook_sink(webhook, key.encode("utf-8")))
    if not sinks:
        yield None
        return
    notifier = Notifier(sinks)
    try:
        yield notifier.tell
    finally:
        notifier.close()


def _guard(bench: Bench, interlock: str | None) -> MoveGuard:
    import shlex  # noqa: PLC0415

    from autoalign.run.guard import MoveGuard, command_interlock  # noqa: PLC0415

    asked = None if interlock is None else command_interlock(shlex.split(interlock), bench.clock)
    return MoveGuard(bench.axes, interlock=asked)


def _reopening(file: BenchFile) -> Callable[[Bench], Bench] | None:
    """Return how the lines of a real bench are opened again; a simulated one would be another."""
    if file.tables.simulation is not None:
        return None

    def reopen(before: Bench) -> Bench:
        with suppress(Exception):  # a broken line cannot be closed in an orderly way
            before.close()
        return file.open()

    return reopen


def _print(summary: WatchSummary, folder: Path, json: bool) -> None:
    if json:
        assert summary.status is not None
        print_facts({**status_facts(summary.status), "records": str(folder)})
        return
    pairs = {
        "state": summary.state.value,
        "reason": summary.reason,
        "measurements": summary.measurements,
        "measurements in spec": summary.in_spec,
        "realignments": summary.realignments,
        "realignments that ended in spec": summary.realigned_in_spec,
        "pauses": summary.pauses,
        "journals": str(folder),
    }
    if summary.incident:
        pairs["to clear it"] = (
            f"check the bench, with the beam blocked or at alignment power, then start the watch "
            f"again with --clear {summary.incident}"
        )
    print_text()
    print_pairs([(k.capitalize(), str(v) or "none") for k, v in pairs.items()], indent="")


def _exit(summary: WatchSummary) -> Exit:
    from autoalign.watch.state import Mode  # noqa: PLC0415

    orderly = summary.state is Mode.ENDED and not summary.paused
    return Exit.IN_SPEC if orderly else Exit.HELD
