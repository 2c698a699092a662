"""What a report says was wrong at the start: the first frames, and what had to move."""

from __future__ import annotations

from dataclasses import replace

from autoalign.messages.words import start_words
from autoalign.report.run_report import page_of


def test_the_first_frames_and_the_way_to_spec(record):
    """Remarks come first; axes are named with the way they went, in people's units."""
    words = start_words(replace(record, remarks=("far: saturated: 9 pixels.",)))
    assert words[0] == "far: saturated: 9 pixels."
    assert words[1].startswith("To bring the beam into spec, the run moved source.x by −")
    assert " mm, " in words[1]
    assert "mirror.tip by −" in words[1]
    assert " mrad. Axes with the same effect" in words[1]


def test_a_run_that_did_not_end_in_spec_names_no_axis(record):
    """Where it moved to proves nothing then."""
    assert start_words(replace(record, outcome="budget spent")) == ()


def test_the_page_has_it_before_the_pictures(record, check_page):
    """The section stands between the verdict and the pictures, and is left out where empty."""
    page = check_page(page_of(replace(record, remarks=("far: saturated: 9 pixels.",)))).text
    assert page.index("Findings at the start") < page.index("Start and end")
    assert "far: saturated: 9 pixels." in page
    bare = check_page(page_of(replace(record, outcome="budget spent"))).text
    assert "Findings at the start" not in bare
