"""How a watch is doing, in a small file that grows stale by itself.

The file is written again and again while the watch lives, each time with the moment until which it
may be believed. A reader needs nothing else: a watch that was killed, hangs or has lost its
computer is told from one that lives by the file's age.
"""

from __future__ import annotations

import json
import os
import socket
from dataclasses import dataclass
from datetime import UTC, datetime
from pathlib import Path
from typing import Any

from autoalign.core.errors import JournalError, UsageError
from autoalign.journal import read_journal
from autoalign.messages.serialise import status_facts, write_facts

__all__ = [
    "STATUS",
    "WatchStatus",
    "latest_decisions",
    "latest_journal",
    "metrics_text",
    "read_status",
    "this_process",
    "write_status",
]

STATUS = "status.json"
"""Name of the file in the folder of a watch."""


@dataclass(frozen=True, slots=True)
class WatchStatus:
    """The state of the watch: what, why, since when, and what it has done so far.

    ``state`` is that of :class:`~autoalign.watch.state.Mode`; times are UTC. ``in_spec`` and
    ``merit`` (1 = at the tolerances) are those of the last measurement, None while nobody watches
    or no measurement can be believed. ``believe_until`` is when the file is stale.
    """

    bench: str
    state: str
    reason: str
    updated: str
    in_spec: bool | None
    merit: float | None
    measurements: int
    measurements_in_spec: int
    realignments: int
    realignments_in_spec: int
    pauses: int
    next_measurement_in_s: float
    incident: str | None = None
    outages: int = 0
    frames: int = 1
    noise: float = 0.0
    beat: str = ""
    believe_until: str = ""
    process: int = 0
    host: str = ""


def write_status(path: Path, status: WatchStatus) -> None:
    """Replace the file at ``path`` in one step, so that a reader never sees half of it."""
    write_facts(path, status_facts(status))


def this_process() -> dict[str, Any]:
    """Return by what a reader tells this process from others."""
    return {"process": os.getpid(), "host": socket.gethostname()}


def read_status(folder: Path, now: datetime | None = None) -> dict[str, Any]:
    """Return the facts of the status file in ``folder``, with ``alive`` as of ``now`` (UTC).

    Where the watch does not live any more, ``in_spec`` and ``merit`` are None, and ``state`` is
    "lost" unless it had ended or latched the bench in an orderly way.

    Raises
    ------
    UsageError
        Where there is no such file: no watch ever used the folder.
    JournalError
        Where the file is damaged.
    """
    path = folder / STATUS
    try:
        facts: dict[str, Any] = json.loads(path.read_text(encoding="utf-8"))
        until = datetime.fromisoformat(facts["believe_until"])
        state = str(facts["state"])
    except FileNotFoundError:
        raise UsageError(
            f"{folder}: no watch has used this folder (there is no {STATUS} in it)."
        ) from None
    except (OSError, ValueError, KeyError, TypeError) as error:
        raise JournalError(f"{path}: cannot be read ({type(error).__name__}: {error}).") from error
    over = state in ("ended", "latched")
    alive = not over and (now or datetime.now(UTC)) <= until and _process_lives(facts)
    if not alive:
        facts |= {"in_spec": None, "merit": {"value": None, "unit": "1"}}
        if not over:
            last = facts.get("beat", "")
            facts["reason"] = f"no sign of life since {last}; it was {state}: {facts['reason']}"
            facts["state"] = "lost"
    return {**facts, "alive": alive}


def latest_journal(folder: Path) -> Path:
    """Return the newest record of a watch in ``folder``.

    Raises
    ------
    UsageError
        Where there is none.
    """
    records = sorted(folder.glob("watch*.db"), key=lambda p: p.stat().st_mtime)
    if not records:
        raise UsageError(f"{folder}: there is no record of a watch in it (watch.db).")
    return records[-1]


def latest_decisions(folder: Path, count: int) -> list[dict[str, Any]]:
    """Return the latest decisions in the journal, oldest first: time (UTC), step and reason."""
    try:
        notes = read_journal(latest_journal(folder)).notes
    except (UsageError, JournalError):
        return []
    decided = [n for n in notes if n["kind"] == "decision"]
    return [
        {"time": n["wall"], "step": n["step"], "reason": n["text"], "evidence": n.get("evidence")}
        for n in decided[-count:]
    ]


_METRICS = {
    "alive": ("gauge", "Whether the watch gives signs of life."),
    "in_spec": ("gauge", "Whether the last measurement was in spec; absent where not known."),
    "merit": ("gauge", "Root mean square of the residuals, 1 at the tolerances."),
    "measurements": ("counter", "Measurements since the watch began."),
    "measurements_in_spec": ("counter", "Measurements that were in spec."),
    "realignments": ("counter", "Realignments since the watch began."),
    "realignments_in_spec": ("counter", "Realignments that ended in spec."),
    "pauses": ("counter", "Pauses since the watch began."),
    "outages": ("counter", "Outages of devices since the watch began."),
    "noise": ("gauge", "Noise of one exposure, tolerances."),
    "frames": ("gauge", "Exposures averaged for a measurement."),
}


def metrics_text(facts: dict[str, Any]) -> str:
    """Return the facts in the text exposition format of Prometheus, version 0.0.4 (from memory)."""
    bench = str(facts["bench"]).replace("\\", "\\\\").replace('"', '\\"').replace("\n", " ")
    lines = []
    for name, (kind, words) in _METRICS.items():
        value = facts.get(name)
        value = value["value"] if isinstance(value, dict) else value
        if value is None:
            continue
        full = f"autoalign_watch_{name}" + ("_total" if kind == "counter" else "")
        lines += [f"# HELP {full} {words}", f"# TYPE {full} {kind}"]
        lines.append(f'{full}{{bench="{bench}"}} {float(value):g}')
    state = "autoalign_watch_state"
    lines += [f"# HELP {state} 1 for the state that the watch is in.", f"# TYPE {state} gauge"]
    for each in ("watching", "paused", "latched", "ended", "lost"):
        now = int(each == facts["state"])
        lines.append(f'{state}{{bench="{bench}",state="{each}"}} {now}')
    return "\n".join(lines)


def _process_lives(facts: dict[str, Any]) -> bool:
    """Return if the process is there, as far as this computer can tell."""
    if facts.get("host") != socket.gethostname() or os.name != "posix":
        return True
    try:
        os.kill(int(facts["process"]), 0)
    except ProcessLookupError:
        return False
    except PermissionError:
        return True
    return True
