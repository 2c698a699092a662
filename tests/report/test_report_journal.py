"""A report from a real journal: nothing is lost on the way from the run to the page."""

from __future__ import annotations

import dataclasses

import numpy as np
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.core.axes import Axis
from autoalign.core.clock import VirtualClock
from autoalign.journal import Journal, read_journal
from autoalign.journal.thumbnails import make_thumbnail
from autoalign.report import record_of, write_report
from autoalign.report.from_journal import frame_of
from autoalign.session import Finish, Measure, Move, Status
from autoalign.spec.terms import QuantityTerm, Spec
from autoalign.strategies.base import Measurement

BENCH = {
    "name": "gas spectrometer, input arm",
    "axes": [dataclasses.asdict(Axis("source.x", "mm", -3, 3))],
    "locked": ["mirror"],
    "spec": {"guard": 1.645},
    "layout": {
        "planes": [{"name": "far", "distance": 2400.0}],
        "light": {"wavelength": 660e-6, "others": [[850e-6, 0.3]]},
    },
}


def seen(profile, offset: float) -> Measurement:
    """Return an observation whose one term is off by ``offset`` mm."""
    parameters = BeamParameters(("far.x",), np.array([offset]), np.array([[1e-4]]), {"far": 2400.0})
    verdict = Spec((QuantityTerm("far.x", 0.2, 0.0, "mm"),)).evaluate(parameters)
    return Measurement(np.array([offset]), {"far": profile}, parameters, verdict)


@pytest.fixture
def journal(tmp_path, make_gaussian):
    """A journal of two looks and one move, not yet finished, and its clock."""
    clock = VirtualClock()
    path = tmp_path / "run.journal"
    run = {"bench": BENCH, "strategy": "axis-by-axis", "seed": 3, "versions": {"numpy": "2"}}
    with Journal(path, clock, run) as writer:
        for number, offset in ((1, 1.5), (2, 0.02)):
            frame, profile = make_gaussian(centre=(offset, 0.4))
            look = Measure(number, 0.0, 1, "start")
            thumbnail = make_thumbnail(frame, 64)
            place = {"source.x": offset}
            writer.look(look, place, seen(profile, offset), [thumbnail])
            clock.sleep(2.0)
            if number == 1:
                intent = writer.intent(Move(1, {"source.x": 0.02}, {}, "measurement"), place)
                clock.sleep(1.0)
                writer.outcome(intent, "done", {"source.x": 0.021})
        yield writer, clock


def test_a_finished_run_is_told_as_it_was(journal):
    """Verdict, moves, positions, time, held parts and provenance come through."""
    writer, _ = journal
    writer.finish(Finish(Status.IN_SPEC, True, "every term is within its tolerance"))
    record = record_of(read_journal(writer.path))
    assert record.in_spec
    assert record.duration == 5.0
    assert [p.merit for p in record.measurements] == pytest.approx([7.5, 0.1])
    move = record.moves[0]
    assert (move.axis, move.unit, move.start, move.target, move.arrived, move.outcome) == (
        "source.x", "mm", 1.5, 0.02, 0.021, "done",
    )  # fmt: skip
    assert record.locked == ("mirror",)
    assert record.distances == {"far": 2400.0}
    assert record.wavelengths == (660e-6, 850e-6)
    assert record.provenance["seed"] == "3"
    assert record.provenance["numpy"] == "2"


def test_the_thumbnail_and_its_outline_agree(journal):
    """The reduced frame's own centroid, through its view, is where the outline is."""
    picture = record_of(read_journal(journal[0].path)).before[0]
    frame = picture.frame
    light = frame.pixels - np.median(frame.pixels)
    light[light < 100] = 0
    rows, columns = np.indices(light.shape)
    x = (np.sum(light * columns) / light.sum() - frame.origin[0]) * frame.pitch_x
    y = (np.sum(light * rows) / light.sum() - frame.origin[1]) * frame.pitch_y
    assert np.allclose(np.asarray(frame.view) @ [x, y], picture.outline.centre, atol=0.05)


def test_thumbnails_keep_the_cameras_values(make_gaussian):
    """Background and peak survive 8-bit grey to half a step."""
    frame, _ = make_gaussian()
    back = frame_of(make_thumbnail(frame, 10_000))
    step = (float(frame.pixels.max()) - float(frame.pixels.min())) / 255
    assert np.max(np.abs(back.pixels - frame.pixels.astype(float))) <= step / 2 + 1e-3


def test_a_run_that_was_cut_off_claims_nothing(journal):
    """No end in the journal, and a move after the last look, its outcome unknown."""
    writer, _ = journal
    writer.intent(Move(2, {"source.x": 0.0}, {}, "measurement"), {"source.x": 0.02})
    record = record_of(read_journal(writer.path))
    assert not record.in_spec
    assert record.outcome == "interrupted"
    assert record.moves[-1].arrived is None
    assert record.moves[-1].outcome == "never recorded"


def test_the_journal_is_reported_from_its_path(journal, tmp_path, check_page):
    """From file to file."""
    writer, _ = journal
    writer.finish(Finish(Status.BUDGET, False, "60 of 60 measurements used"))
    page = check_page(write_report(writer.path, tmp_path / "run.html").read_text("utf-8"))
    assert "axis-by-axis" in page.text
    assert "Not shown to be in spec: budget spent" in page.text
