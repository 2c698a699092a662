"""``autoalign status`` and ``autoalign incidents``: how a watch is doing, and why one latched."""

from __future__ import annotations

from datetime import datetime
from pathlib import Path
from typing import Annotated, Any

from cyclopts import Parameter

from autoalign.cli.exits import Exit
from autoalign.cli.output import print_facts, print_pairs, print_text

__all__ = ["incidents", "status"]

_LATEST = 5
"""Decisions that are shown."""


def status(
    folder: Path,
    /,
    *,
    serve: str | None = None,
    metrics: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Show how a watch is doing: if it lives, what it does and why, and its latest decisions.

    A watch writes a sign of life again and again. Where the last one is too old, or its process is
    gone, the watch counts as lost, whatever it said last. Exit code 0 if a watch is at work and
    nothing keeps it from moving the bench, else 4.

    Parameters
    ----------
    folder
        Folder of the watch (its --output).
    serve
        Serve a status page, read-only, at this address, until Ctrl-C: "127.0.0.1:8080" for this
        computer alone. At an address that other computers reach, the page needs a token, which is
        printed; the line to it is not encrypted.
    metrics
        Print numbers in the text format of the Prometheus monitoring system, for a collector.
    json
        Print the facts as JSON.
    """
    from autoalign.watch.status import latest_decisions, metrics_text, read_status  # noqa: PLC0415

    facts = read_status(folder)
    if serve is not None:
        return _serve(folder, serve)
    working = facts["alive"] and facts["state"] == "watching"
    if metrics:
        print_text(metrics_text(facts), wrap=False)
    elif json:
        print_facts({**facts, "latest": latest_decisions(folder, _LATEST)})
    else:
        _print(facts, latest_decisions(folder, _LATEST))
    return Exit.IN_SPEC if working else Exit.HELD


def incidents(folder: Path, /, *, json: Annotated[bool, Parameter(negative="")] = False) -> int:
    """List why watches of a folder latched the bench, and how the open incident is cleared.

    Exit code 4 while an incident is open, else 0.

    Parameters
    ----------
    folder
        Folder of the watch (its --output).
    json
        Print the incidents as JSON.
    """
    from autoalign.watch.incident import all_incidents  # noqa: PLC0415

    found = all_incidents(folder)
    if json:
        print_facts(
            [
                {"number": i.number, "since": i.since, "why": i.why, "cleared": cleared}
                for i, cleared in found
            ]
        )
    elif not found:
        print_text(f"No watch of {folder} has latched the bench.")
    for incident, cleared in [] if json else found:
        print_text(f"Incident {incident.number}, {'cleared' if cleared else 'open'}")
        pairs = [("Since", _local(incident.since)), ("Why", incident.why)]
        if not cleared:
            pairs += [
                ("Before that", incident.before_approach),
                ("To clear it", f"start the watch again with --clear {incident.number}"),
            ]
        print_pairs(pairs)
        print_text()
    return Exit.IN_SPEC if all(cleared for _, cleared in found) else Exit.HELD


def _serve(folder: Path, address: str) -> int:
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.watch.page import PageServer  # noqa: PLC0415 - heavy

    host, _, port = address.rpartition(":")
    if not (host and port.isdecimal() and int(port) < 65536):
        raise UsageError(f'--serve {address!r}: give address and port, such as "127.0.0.1:8080".')
    with PageServer(folder, host.strip("[]"), int(port)) as server:
        print_text(f"Status page at {server.url}", wrap=False)
        server.serve_forever()
    return Exit.IN_SPEC


def _print(facts: dict[str, Any], latest: list[dict[str, Any]]) -> None:
    merit = facts["merit"]["value"]
    spec = {True: "yes", False: "no", None: "not known"}[facts["in_spec"]]
    pairs = [
        ("Bench", facts["bench"]),
        ("State", facts["state"]),
        ("Reason", facts["reason"]),
        ("Last sign of life", _local(facts["beat"])),
        ("In spec", spec + ("" if merit is None else f", merit {merit:.2f}")),
        ("Measurements", f"{facts['measurements']}, {facts['measurements_in_spec']} in spec"),
        (
            "Realignments",
            f"{facts['realignments']}, {facts['realignments_in_spec']} ended in spec",
        ),
        ("Pauses", str(facts["pauses"])),
    ]
    if facts["incident"]:
        pairs.append(
            (
                "To clear it",
                "check the bench, with the beam blocked or at alignment power, then start the "
                f"watch again with --clear {facts['incident']}",
            )
        )
    print_pairs(pairs, indent="")
    if latest:
        print_text()
        print_text("Latest decisions")
        print_pairs([(f"{_local(d['time'])}  {d['step']}", d["reason"]) for d in latest])


def _local(text: str) -> str:
    """Return a time of day as the reader's clock shows it."""
    try:
        return datetime.fromisoformat(text).astimezone().strftime("%Y-%m-%d %H:%M:%S")
    except ValueError:
        return text or "none"
