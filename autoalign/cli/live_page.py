"""The live view as a page on this computer: picture, ellipse, fiducial, numbers, history."""

from __future__ import annotations

import base64
import hashlib
import html
import threading
from collections import deque
from collections.abc import Sequence
from http.server import BaseHTTPRequestHandler, ThreadingHTTPServer
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autoalign.cli.live_command import Seen

__all__ = ["LivePage", "page_text"]

HISTORY = 300
"""Points of the history that are kept."""

_HOSTS = ("127.0.0.1", "localhost")

_STYLE = (
    "body{font-family:sans-serif;margin:1rem;background:#fff;color:#111}"
    "section{display:inline-block;vertical-align:top;margin:0 1.5rem 1rem 0}"
    "svg{background:#000}svg.h{background:#f4f4f4}td{padding:0 .8rem 0 0}"
    ".bad{font-weight:bold}"
)
_STYLE_DIGEST = base64.b64encode(hashlib.sha256(_STYLE.encode()).digest()).decode()
"""By which a browser knows the one style that the page may have."""


class LivePage:
    """Serves the last view at ``url``, to this computer alone, until it is closed.

    It only shows: there is nothing on the page that could move or change anything.
    """

    def __init__(self, title: str, port: int = 0) -> None:
        self._title = title
        self._seen: tuple[Seen, ...] = ()
        self._history: dict[str, deque[tuple[float, float]]] = {}
        self._lock = threading.Lock()
        page = self

        class Handler(BaseHTTPRequestHandler):
            """Answers every GET from this computer with the page."""

            def do_GET(self) -> None:
                """Send the page."""
                host = self.headers.get("Host", "").rpartition(":")[0] or self.headers.get("Host")
                if self.path != "/" or host not in _HOSTS:
                    self.send_error(404)
                    return
                body = page.text().encode("utf-8")
                self.send_response(200)
                self.send_header("Content-Type", "text/html; charset=utf-8")
                self.send_header("Content-Length", str(len(body)))
                self.send_header("Cache-Control", "no-store")
                self.send_header(
                    "Content-Security-Policy",
                    f"default-src 'none'; img-src data:; style-src 'sha256-{_STYLE_DIGEST}'",
                )
                self.end_headers()
                self.wfile.write(body)

            def log_message(self, format: str, *args: Any) -> None:  # noqa: A002 - its name
                """Say nothing at every picture."""

        self._server = ThreadingHTTPServer(("127.0.0.1", port), Handler)
        self._server.daemon_threads = True
        self.url = f"http://127.0.0.1:{self._server.server_address[1]}/"
        self._thread = threading.Thread(target=self._server.serve_forever, daemon=True)
        self._thread.start()

    def show(self, seen: Sequence[Seen]) -> None:
        """Show ``seen`` from now on."""
        with self._lock:
            self._seen = tuple(seen)
            for one in seen:
                if one.centre is not None:
                    kept = self._history.setdefault(one.name, deque(maxlen=HISTORY))
                    kept.append(one.centre)

    def text(self) -> str:
        """Return the page as it is now."""
        with self._lock:
            history = {n: list(points) for n, points in self._history.items()}
            return page_text(self._title, self._seen, history)

    def close(self) -> None:
        """End the server. May be called twice."""
        self._server.shutdown()
        self._server.server_close()
        self._thread.join(5.0)


def page_text(
    title: str, seen: Sequence[Seen], history: dict[str, list[tuple[float, float]]]
) -> str:
    """Return the page: one section for each detector."""
    parts = [_section(one, history.get(one.name, [])) for one in seen]
    return (
        "<!doctype html><html lang='en'><head><meta charset='utf-8'>"
        f"<meta http-equiv='refresh' content='1'><title>{html.escape(title)}</title>"
        f"<style>{_STYLE}</style></head><body><h1>{html.escape(title)}</h1>"
        "<p>A view only: nothing is moved from here, and a beam that is not shown may still be "
        f"there.</p>{''.join(parts)}</body></html>"
    )


def _section(one: Seen, points: list[tuple[float, float]]) -> str:
    rows = "".join(
        f"<tr><td>{html.escape(name)}</td><td>{html.escape(value)}</td></tr>"
        for name, value in one.figures
    )
    problem = f"<p class='bad'>{html.escape(one.problem)}</p>" if one.problem else ""
    return (
        f"<section><h2>{html.escape(one.name)}</h2>{_picture(one)}{problem}"
        f"<table>{rows}</table>{_history(points)}</section>"
    )


def _picture(one: Seen) -> str:
    """Return the picture with fiducial (cross) and ellipse of the widths d_σ."""
    if one.thumbnail is None:
        return ""
    image = base64.b64encode(one.thumbnail.png).decode("ascii")
    width, height = one.size
    x, y = (o + 0.5 for o in one.thumbnail.origin)
    marks = (
        f"<path d='M{x - 6:.2f} {y:.2f}H{x + 6:.2f}M{x:.2f} {y - 6:.2f}V{y + 6:.2f}' "
        "stroke='#0f0' fill='none'/>"
    )
    if one.ellipse is not None:
        column, row, first, second, turn = one.ellipse
        marks += (
            f"<ellipse cx='{column + 0.5:.2f}' cy='{row + 0.5:.2f}' rx='{first:.2f}' "
            f"ry='{second:.2f}' transform='rotate({turn:.2f} {column + 0.5:.2f} {row + 0.5:.2f})' "
            "stroke='#fa0' fill='none'/>"
        )
    return (
        f"<svg viewBox='0 0 {width} {height}' width='{2 * width}' role='img' "
        f"aria-label='picture of {html.escape(one.name)}'>"
        f"<image href='data:image/png;base64,{image}' width='{width}' height='{height}'/>"
        f"{marks}</svg>"
    )


def _history(points: list[tuple[float, float]]) -> str:
    """Return the centre over the last views: x and y, each over its own range."""
    if len(points) < 2:
        return ""
    lines = []
    for index, name in enumerate("xy"):
        values = [p[index] for p in points]
        low, high = min(values), max(values)
        span = high - low or 1.0
        path = " ".join(
            f"{'M' if k == 0 else 'L'}{k * 300 / (len(values) - 1):.1f} "
            f"{38 - 36 * (v - low) / span:.1f}"
            for k, v in enumerate(values)
        )
        lines.append(
            f"<p>centre {name}, last {len(values)} views: {low:.4f} to {high:.4f} mm</p>"
            f"<svg class='h' viewBox='0 0 300 40' width='300' role='img' "
            f"aria-label='centre {name}'>"
            f"<path d='{path}' stroke='#036' fill='none'/></svg>"
        )
    return "".join(lines)
