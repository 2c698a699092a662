"""A report of a real alignment of a simulated bench, from its journal."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators import collimator, focuser, relay, steering

from autoalign.journal import read_journal
from autoalign.report import gallery_cases, record_of, simulated_render, write_report
from autoalign.run.align import align


@pytest.fixture(scope="module")
def run(tmp_path_factory):
    """The record of one alignment, its result and its journal's path."""
    path = tmp_path_factory.mktemp("run") / "run.db"
    with collimator.simulate(3).bench() as bench:
        result = align(bench, strategy="response-matrix", seed=3, journal=path)
    return record_of(read_journal(path)), result, path


@pytest.mark.slow
def test_the_record_tells_what_the_result_tells(run):
    """Same verdict, same probes, same final values and places."""
    record, result, _ = run
    assert record.in_spec == result.in_spec
    assert len(record.measurements) == result.measurements
    assert record.move_count == result.moves
    for term in record.after_probe.terms:
        assert term.value == result.after.verdict[term.name].value
    for axis, place in result.positions.items():
        assert record.after_probe.positions[axis] == pytest.approx(place, abs=1e-9)


@pytest.mark.slow
def test_every_ellipse_lies_on_its_light(run):
    """Through the camera's view, the light's own middle is where the outline's centre is.

    By half the light to each side, not by moments: independent of the measurement.
    """
    record, _, _ = run
    assert len(record.before) == len(record.after) == 2
    for picture in (*record.before, *record.after):
        frame = picture.frame
        light = np.asarray(frame.pixels, float)
        light = np.where(light > np.median(light) + 0.05 * np.ptp(light), light, 0.0)
        middle = []
        for axis, pitch in ((0, frame.pitch_x), (1, frame.pitch_y)):
            share = np.cumsum(light.sum(axis=axis)) / light.sum()
            place = np.interp(0.5, share, np.arange(len(share)))
            middle.append((place - frame.origin[axis]) * pitch)
        there = np.asarray(frame.view) @ middle
        assert np.allclose(there, picture.outline.centre, atol=0.04 * max(picture.outline.widths))


@pytest.mark.slow
def test_the_page_of_a_real_run_is_whole(run, tmp_path, check_page):
    """From the journal's path to a page with the verdict, four frames and every axis."""
    _, result, path = run
    page = check_page(write_report(path, tmp_path / "run.html").read_text("utf-8"))
    assert page.text.count("In spec") >= 1
    assert len(page.all("img")) == 6
    for axis in result.positions:
        assert axis in page.text


BENCH_TYPES = {
    "collimator": (collimator, "far", 10),
    "focuser": (focuser, "focus", 10),
    "relay": (relay, "focus", 16),
    "steering": (steering, "far", 8),
}
"""Simulation, the plane to look at, and how many single-axis errors move the spot there."""


def middle(case, plane: str) -> np.ndarray:
    """Return the middle of the light in the plane's axes, mm, by the plainest of means."""
    frame = next(p for p in case.pictures if p.plane == plane).frame
    light = np.asarray(frame.pixels, float)
    light = np.where(light > np.median(light) + 0.1 * np.ptp(light), light, 0.0)
    rows, columns = np.indices(light.shape)
    x = (np.sum(columns * light) / light.sum() - frame.origin[0]) * frame.pitch_x
    y = (np.sum(rows * light) / light.sum() - frame.origin[1]) * frame.pitch_y
    return np.asarray(frame.view) @ [x, y]


@pytest.mark.slow
@pytest.mark.parametrize("kind", BENCH_TYPES)
def test_rendered_benches_do_what_the_symptoms_say(kind):
    """The simulator, which shares no code with the words, moves the spot as they predict."""
    module, plane, moving = BENCH_TYPES[kind]
    layout = module.demo_layout()
    cases = list(gallery_cases(layout, simulated_render(module.simulate, layout, ideal=True)))
    start = middle(cases[0], plane)
    ways = {"right": (1, 0), "left": (-1, 0), "up": (0, 1), "down": (0, -1)}
    checked = 0
    for case in cases[1:]:
        words = case.words.partition(f"{plane}: ")[2]
        if words.startswith("moves "):
            step = middle(case, plane) - start
            assert step @ ways[words.split()[1]] > 0.8 * np.hypot(*step) > 0.0
            checked += 1
    assert checked == moving
