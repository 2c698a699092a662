"""A page that shows how a watch is doing: state, trends of days, realignments, incidents.

It is made from the journals and the sign of life alone, and changes nothing. It can be written to a
file, or served: on this computer alone unless a token guards it.
"""

from __future__ import annotations

import hashlib
import hmac
import secrets
from base64 import b64encode
from collections.abc import Iterator, Sequence
from dataclasses import dataclass
from datetime import datetime, timedelta
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from ipaddress import ip_address
from pathlib import Path
from typing import Any
from urllib.parse import parse_qs, urlsplit

from matplotlib.dates import AutoDateLocator, ConciseDateFormatter
from matplotlib.figure import Figure

from autoalign.core.errors import AlignError, JournalError, UsageError
from autoalign.core.files import atomic_write
from autoalign.journal import read_journal
from autoalign.messages.words import counted, term_label
from autoalign.report.markup import SHEET, Html, figure, page, table, tag
from autoalign.report.style import FAINT, GOOD, MARK, SERIES, dress, new_figure, plain, png_uri
from autoalign.watch.incident import all_incidents
from autoalign.watch.status import read_status

__all__ = ["PageServer", "watch_page", "write_watch_page"]

_LATEST = 20
"""Decisions other than to wait that are listed."""


@dataclass(frozen=True, slots=True)
class _Past:
    """What the journals hold of the last days: times (local) with terms, decisions, steps."""

    times: list[datetime]
    shares: dict[str, list[float]]
    in_spec: int
    decisions: list[tuple[datetime, str, str]]
    damage: list[str]


def write_watch_page(folder: Path, path: Path, days: float = 7.0) -> Path:
    """Write the page of the watch in ``folder`` to ``path`` and return it; see :func:`watch_page`.

    Raises
    ------
    UsageError
        Where no watch ever used the folder.
    """
    return atomic_write(path, watch_page(folder, days))


def watch_page(folder: Path, days: float = 7.0, refresh: int = 0) -> str:
    """Return the page of the watch in ``folder``, with trends of so many ``days``.

    With ``refresh`` a browser loads it again after so many seconds.
    """
    facts = read_status(folder)
    past = _past(folder, days)
    body = [
        tag("h1", f"Watch of {facts['bench']}"),
        tag("p", tag("strong", _headline(facts))),
        tag("p", str(facts["reason"])),
        table("State", ("what", "value"), list(_rows(facts, past))),
        *_incidents(folder),
        *_trends(past, days),
        *_decisions(past),
        *[tag("p", words) for words in past.damage],
        tag(
            "p",
            "This page changes nothing on the bench. It is no safety function: the beam may be on "
            "and motors may start whatever it says.",
        ),
    ]
    title = f"{facts['bench']}: {facts['state']}"
    text = page(title, *body)
    if refresh:
        text = Html(
            text.replace("<title>", f'<meta http-equiv="refresh" content="{refresh}"><title>', 1)
        )
    return text


def _headline(facts: dict[str, Any]) -> str:
    spec = {True: ", in spec", False: ", not in spec", None: ""}[facts["in_spec"]]
    return f"{str(facts['state']).capitalize()}{spec}"


def _rows(facts: dict[str, Any], past: _Past) -> Iterator[tuple[str, str]]:
    yield "last sign of life", _when(str(facts["beat"]))
    merit = facts["merit"]["value"]
    yield "merit (1 at the tolerances)", "not known" if merit is None else f"{merit:.2f}"
    yield "measurements of the watch that runs", str(facts["measurements"])
    yield "realignments", f"{facts['realignments']}, {facts['realignments_in_spec']} ended in spec"
    yield "pauses", str(facts["pauses"])
    yield "outages of devices", str(facts["outages"])
    noise = f"{facts['noise']:.2g} tolerances"
    yield "noise of one exposure", f"{noise}; {counted(facts['frames'], 'exposure')} averaged"
    if past.times:
        share = 100 * past.in_spec / len(past.times)
        yield "measurements in spec, over the time shown", f"{share:.1f} %"


def _incidents(folder: Path) -> list[Html]:
    found = all_incidents(folder)
    if not found:
        return []
    rows = [
        (i.number, _when(i.since), i.why,
         "yes" if cleared else f"no: start the watch again with --clear {i.number}")
        for i, cleared in reversed(found)
    ]  # fmt: skip
    parts = [table("Incidents", ("number", "since", "why", "cleared"), rows, "cards")]
    if not found[-1][1]:
        parts.append(tag("p", found[-1][0].before_approach))
    return parts


def _trends(past: _Past, days: float) -> list[Html]:
    if len(past.times) < 2:
        return [tag("p", "There are too few measurements for a trend.")]
    words = (
        f"Deviation of each term in units of its tolerance over the last {days:g} days, from "
        f"{counted(len(past.times), 'measurement')}. The band is the spec; vertical lines mark "
        f"{counted(len(_realigned(past)), 'realignment')}."
    )
    return [figure(png_uri(_figure(past)), words, words)]


def _figure(past: _Past) -> Figure:
    drawn = new_figure(7.6, 3.8)
    axes = drawn.add_subplot()
    axes.axhspan(-1, 1, color=FAINT, zorder=0)
    for limit in (-1, 1):
        axes.axhline(limit, color=GOOD, linewidth=1.2, zorder=1)
    for k, (name, shares) in enumerate(past.shares.items()):
        colour, _, dashes = SERIES[k % len(SERIES)]
        label = plain(term_label(name), 30)
        axes.plot(past.times, shares, color=colour, linestyle=dashes, linewidth=1.1, label=label)  # type: ignore[arg-type]
    for when in _realigned(past):
        axes.axvline(when, color=MARK, linewidth=0.8, alpha=0.7)  # type: ignore[arg-type]
    top = max((abs(v) for s in past.shares.values() for v in s), default=1.0)
    axes.set_ylim(-min(max(top, 1.2), 5) * 1.1, min(max(top, 1.2), 5) * 1.1)
    locator = AutoDateLocator()  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_locator(locator)
    dates = ConciseDateFormatter(locator, tz=past.times[0].tzinfo)  # type: ignore[no-untyped-call]
    axes.xaxis.set_major_formatter(dates)
    dress(axes, "", "deviation, in tolerances")
    axes.legend(fontsize=9, frameon=False, ncols=2, loc="upper center", bbox_to_anchor=(0.5, -0.12))
    return drawn


def _realigned(past: _Past) -> list[datetime]:
    return [when for when, step, _ in past.decisions if step == "realign"]


def _decisions(past: _Past) -> list[Html]:
    shown = [d for d in past.decisions if d[1] not in ("wait", "recheck")][-_LATEST:]
    if not shown:
        return []
    rows = [(f"{w:%Y-%m-%d %H:%M:%S}", step, why) for w, step, why in reversed(shown)]
    return [table("Latest decisions other than to wait", ("time", "step", "why"), rows, "cards")]


def _past(folder: Path, days: float) -> _Past:
    past = _Past([], {}, 0, [], [])
    records = sorted(folder.glob("watch*.db"), key=lambda p: p.stat().st_mtime)
    in_spec = 0
    runs = []
    for path in reversed(records):
        try:
            runs.append(read_journal(path))
        except JournalError as error:
            past.damage.append(str(error))
            continue
        ends = [_local(m.wall) for m in runs[0].measurements[-1:]]
        begins = [_local(m.wall) for m in runs[-1].measurements[:1]]
        if ends and begins and begins[0] < ends[0] - timedelta(days=days):
            break
    for run in reversed(runs):
        for record in run.measurements:
            verdict = record.measurement.verdict
            if verdict is None:
                continue
            past.times.append(_local(record.wall))
            in_spec += verdict.in_spec
            for term in verdict.terms:
                shares = past.shares.setdefault(term.name, [])
                shares.extend([float("nan")] * (len(past.times) - 1 - len(shares)))
                shares.append(term.deviation / term.tolerance)
        past.decisions.extend(
            (_local(str(n["wall"])), str(n["step"]), str(n["text"]))
            for n in run.notes
            if n["kind"] == "decision"
        )
    for shares in past.shares.values():
        shares.extend([float("nan")] * (len(past.times) - len(shares)))
    return _Past(past.times, past.shares, in_spec, past.decisions, past.damage)


def _local(text: str) -> datetime:
    return datetime.fromisoformat(text).astimezone()


def _when(text: str) -> str:
    try:
        return f"{_local(text):%Y-%m-%d %H:%M:%S}"
    except ValueError:
        return text or "none"


class PageServer(ThreadingHTTPServer):
    """Serves the page of one watch, read-only.

    Parameters
    ----------
    folder
        Folder of the watch.
    host, port
        Where to listen; port 0 takes a free one. On an address that other computers reach, the page
        is only given to whoever knows the ``token``, which is drawn at random.
    """

    daemon_threads = True

    def __init__(self, folder: Path, host: str = "127.0.0.1", port: int = 0) -> None:
        try:
            alone = host == "localhost" or ip_address(host).is_loopback
        except ValueError:
            raise UsageError(
                f"status page: {host!r} is no address; give one, for instance 127.0.0.1:8080."
            ) from None
        self.folder = folder
        self.token = "" if alone else secrets.token_urlsafe(24)
        super().__init__((host, port), _Handler)

    @property
    def url(self) -> str:
        """Address of the page, with the token where one is needed."""
        host, port = self.server_address[:2]
        return f"http://{host!s}:{port}/" + (f"?token={self.token}" if self.token else "")


class _Handler(BaseHTTPRequestHandler):
    """Answers GET for the page and its facts, and nothing else."""

    server: PageServer
    server_version, sys_version = "autoalign", ""

    def do_GET(self) -> None:
        """Answer."""
        asked = urlsplit(self.path)
        given = parse_qs(asked.query).get("token", [""])[0]
        if self.server.token and not hmac.compare_digest(given, self.server.token):
            self._answer(403, "text/plain", "This page needs the token that was printed.")
        elif asked.path != "/":
            self._answer(404, "text/plain", "There is only one page here: /")
        else:
            try:
                self._answer(200, "text/html", watch_page(self.server.folder, refresh=60))
            except AlignError as error:
                self._answer(500, "text/plain", str(error))

    def _answer(self, code: int, kind: str, text: str) -> None:
        data = text.encode("utf-8")
        self.send_response(code)
        self.send_header("Content-Type", f"{kind}; charset=utf-8")
        self.send_header("Content-Length", str(len(data)))
        self.send_header("Cache-Control", "no-store")
        self.send_header("X-Content-Type-Options", "nosniff")
        self.send_header("Referrer-Policy", "no-referrer")
        sheet = b64encode(hashlib.sha256(SHEET.encode("utf-8")).digest()).decode("ascii")
        policy = f"default-src 'none'; img-src data:; style-src 'sha256-{sheet}'"
        self.send_header("Content-Security-Policy", policy)
        self.end_headers()
        self.wfile.write(data)

    def log_message(self, format: str, *args: Sequence[Any]) -> None:  # noqa: A002 - its name
        """Print nothing: requests hold the token."""
