"""The page of a watch, written to a file and served."""

from __future__ import annotations

import threading
import urllib.error
import urllib.request
from collections.abc import Iterator
from datetime import UTC, datetime
from html.parser import HTMLParser
from pathlib import Path

import pytest
from autoalign_simulators import benches

from autoalign.core.errors import UsageError
from autoalign.strategies.response_matrix import ResponseMatrix
from autoalign.watch.incident import keep_incident
from autoalign.watch.page import PageServer, watch_page, write_watch_page
from autoalign.watch.service import Watch

pytestmark = pytest.mark.slow


@pytest.fixture(scope="module")
def folder(tmp_path_factory: pytest.TempPathFactory) -> Path:
    """The folder of a watch that has ended after a realignment and some measurements."""
    place = tmp_path_factory.mktemp("watch")
    bench = benches.collimator(seed=1, fidelity="moments")
    bench.name = "<b>bold</b> bench"
    Watch(bench, ResponseMatrix, place).run(measurements=8)
    return place


class Page(HTMLParser):
    """Text, pictures and what is loaded from elsewhere."""

    def __init__(self, text: str) -> None:
        super().__init__()
        self.words: list[str] = []
        self.pictures: list[dict[str, str | None]] = []
        self.loaded: list[str] = []
        self.feed(text)

    def handle_starttag(self, name: str, attributes: list[tuple[str, str | None]]) -> None:
        """Keep pictures and addresses."""
        given = dict(attributes)
        if name == "img":
            self.pictures.append(given)
        self.loaded += [v or "" for k, v in attributes if k in ("src", "href")]

    def handle_data(self, data: str) -> None:
        """Keep text."""
        self.words.append(data)


def test_the_page_shows_state_trends_and_decisions(folder: Path, tmp_path: Path) -> None:
    """One file that needs nothing from elsewhere; its picture has words for who cannot see it."""
    page = Page(write_watch_page(folder, tmp_path / "w.html").read_text(encoding="utf-8"))
    text = " ".join(" ".join(page.words).split())
    assert "Watch of <b>bold</b> bench" in text, "a bench's name is text, never markup"
    for words in ("Ended", "realignments", "1, 1 ended in spec", "realign", "no safety function"):
        assert words in text
    assert len(page.pictures) == 1
    assert "vertical lines mark 1 realignment" in (page.pictures[0]["alt"] or "")
    assert all(where.startswith("data:") for where in page.loaded)


def test_an_open_incident_is_on_the_page_with_how_to_clear_it(folder: Path, tmp_path: Path) -> None:
    """And what to mind before anybody goes to the bench."""
    (tmp_path / "status.json").write_bytes((folder / "status.json").read_bytes())
    number = keep_incident(tmp_path, "an axis stalled", datetime(2030, 1, 1, tzinfo=UTC)).number
    text = watch_page(tmp_path)
    assert f"--clear {number}" in text
    assert "Before you go to the bench, block it" in text


@pytest.fixture
def served(folder: Path) -> Iterator[PageServer]:
    """The page on a free port of this computer."""
    with PageServer(folder) as server:
        thread = threading.Thread(target=server.serve_forever, kwargs={"poll_interval": 0.01})
        thread.start()
        yield server
        server.shutdown()
        thread.join()


def test_the_page_is_served_read_only(served: PageServer) -> None:
    """It asks for nothing from elsewhere and takes no command."""
    with urllib.request.urlopen(served.url) as answer:
        assert answer.status == 200
        assert "default-src 'none'" in answer.headers["Content-Security-Policy"]
        assert b"Watch of" in answer.read()
    for request in (
        urllib.request.Request(served.url + "watch.db"),
        urllib.request.Request(served.url, data=b"move", method="POST"),
    ):
        with pytest.raises(urllib.error.HTTPError) as refused:
            urllib.request.urlopen(request)
        assert refused.value.code in (404, 501)
        refused.value.close()


def test_without_its_token_a_page_on_the_network_says_nothing(served: PageServer) -> None:
    """With it, it is there."""
    served.token = "secret"
    with pytest.raises(urllib.error.HTTPError) as refused:
        urllib.request.urlopen(served.url.partition("?")[0])
    assert refused.value.code == 403
    assert b"Watch of" not in refused.value.read()
    refused.value.close()
    with urllib.request.urlopen(served.url) as answer:
        assert answer.status == 200


def test_an_address_of_the_network_draws_a_token(folder: Path) -> None:
    """Loopback needs none; what is no address is refused."""
    with PageServer(folder, "0.0.0.0") as everywhere, PageServer(folder) as alone:
        assert len(everywhere.token) > 20
        assert everywhere.url.endswith(everywhere.token)
        assert alone.token == ""
    with pytest.raises(UsageError, match="'here' is no address"):
        PageServer(folder, "here")
