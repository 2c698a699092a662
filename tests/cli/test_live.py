"""The live view: cameras alone, nothing moved, a page for this computer only."""

from __future__ import annotations

import json
import urllib.error
import urllib.request
from collections.abc import Callable
from pathlib import Path
from typing import Any
from xml.etree import ElementTree

import numpy as np
import pytest

from autoalign.adapters import FunctionDetector
from autoalign.bench import Bench
from autoalign.cli.live_command import Seen, views
from autoalign.cli.live_page import HISTORY, LivePage, page_text
from autoalign.core.clock import VirtualClock


def spot(x: float) -> Any:
    """Return a picture of a round spot at column ``x``."""
    columns, rows = np.meshgrid(np.arange(96), np.arange(64))
    rng = np.random.default_rng(int(x))
    light = 180 * np.exp(-((columns - x) ** 2 + (rows - 30) ** 2) / (2 * 6.0**2))
    return np.clip(np.round(light + rng.normal(8, 1, light.shape)), 0, 255).astype(np.uint8)


def bench() -> Bench:
    """Return a bench of a camera, a meter and a camera that is unplugged."""
    clock = VirtualClock()
    places = iter([40.0, 50.0, 60.0, 70.0])

    def broken() -> None:
        raise OSError("unplugged")

    return Bench(
        "bench",
        {},
        {
            "near": FunctionDetector(
                "near", "near", lambda: spot(next(places)), pitch=0.01, clock=clock
            ),
            "meter": FunctionDetector("meter", "near", lambda: {"power": 2.5}, clock=clock),
            "far": FunctionDetector("far", "far", broken, clock=clock),
        },
        clock=clock,
    )


def test_each_view_is_what_every_detector_sees() -> None:
    """Centre, widths and level of a camera, numbers of a meter, the trouble of what fails."""
    first, second = views(bench(), 0.2, 2)
    near, meter, far = second
    assert near.centre == pytest.approx((0.025, 0.015), abs=0.002)
    assert first[0].centre is not None
    assert near.centre[0] - first[0].centre[0] == pytest.approx(0.1, abs=0.003)
    assert near.ellipse is not None
    assert near.ellipse[2] == pytest.approx(12.0, rel=0.1)
    assert "X" in "".join(near.picture)
    assert "+" in "".join(near.picture)
    assert meter.figures == (("power", "2.5"),)
    assert "unplugged" in far.problem


def test_the_page_shows_picture_ellipse_fiducial_numbers_and_history() -> None:
    """All is there, drawn to scale, and the page is small."""
    many = list(views(bench(), 0.2, 3))
    points = [s.centre for v in many for s in v if s.centre is not None]
    text = page_text("bench, live", many[-1], {"near": points})
    body = text.split("<body>")[1].replace("</body></html>", "")
    drawn = ElementTree.fromstring(f"<r>{body}</r>")
    assert drawn.find(".//image") is not None
    ellipse = drawn.find(".//ellipse")
    assert ellipse is not None
    assert float(ellipse.attrib["cx"]) == pytest.approx(60.5, abs=0.5)
    assert "centre x, last 3 views" in text
    assert "2.5" in text
    assert "unplugged" in text
    assert len(text) < 60_000


def test_what_a_device_says_is_text_on_the_page() -> None:
    """Nothing from outside becomes markup."""
    text = page_text("<b>", [Seen("<i>", (("<u>", "&"),), "<script>")], {})
    assert "<script>" not in text
    assert "&lt;script&gt;" in text


def get(url: str, host: str | None = None) -> tuple[int, str]:
    """Return status and body of a GET."""
    request = urllib.request.Request(url, headers={"Host": host} if host else {})
    try:
        with urllib.request.build_opener(urllib.request.ProxyHandler({})).open(
            request, timeout=20
        ) as reply:
            return reply.status, reply.read().decode("utf-8")
    except urllib.error.HTTPError as error:
        with error:
            return error.code, ""


@pytest.mark.slow
def test_the_page_is_for_this_computer_alone() -> None:
    """A page of somebody else that points here by another name is refused, and other paths are."""
    page = LivePage("bench")
    try:
        page.show([Seen("near", (("d", "1 mm"),), centre=(0.0, 1.0))])
        assert page.url.startswith("http://127.0.0.1:")
        status, text = get(page.url)
        assert (status, "1 mm" in text) == (200, True)
        assert get(page.url, host="elsewhere.example:80")[0] == 404
        assert get(page.url + "etc")[0] == 404
    finally:
        page.close()


def test_the_history_does_not_grow_for_ever() -> None:
    """However long it runs, only so many points are kept."""
    page = LivePage("bench")
    try:
        for k in range(HISTORY + 50):
            page.show([Seen("near", centre=(float(k), 0.0))])
        assert len(page._history["near"]) == HISTORY
    finally:
        page.close()


@pytest.mark.slow
def test_live_on_the_demo_bench(run: Callable[..., Any], demo_bench: Callable[..., Path]) -> None:
    """One line of JSON for each view; no controller is opened."""
    said = run("live", demo_bench(), "--count", "2", "--json")
    assert said.code == 0, said.err
    lines = [json.loads(line) for line in said.out.splitlines()]
    assert len(lines) == 2
    assert set(lines[0]) == {"near", "far"}
    assert lines[0]["near"]["centre_mm"] is not None


@pytest.mark.parametrize("options", [("--count", "0"), ("--interval", "2 mm"), ("--port", "-1")])
def test_options_that_make_no_sense(
    run: Callable[..., Any], demo_bench: Callable[..., Path], options: tuple[str, str]
) -> None:
    """Each is refused with what is allowed."""
    assert run("live", demo_bench(), *options).code == 2
