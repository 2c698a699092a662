"""The one-file report: well formed, alone in the world, readable by everyone."""

from __future__ import annotations

import base64
import io
import re
from dataclasses import replace

import numpy as np
import pytest
from PIL import Image

from autoalign.beam.standards.own_beam import OWN_DIVERGENCE, OwnFigure
from autoalign.core.axes import Axis
from autoalign.core.cautions import before_motion, cautions
from autoalign.messages.verdict_words import verdict_text
from autoalign.report.markup import Html, table, tag
from autoalign.report.run_report import page_of, write_report

HOSTILE = "x\"><script>alert(1)</script>&$\\frac{a}{b}$\x00'--><img src=http://a.b>"


@pytest.fixture(scope="module")
def source(record):
    """The report of the synthetic run."""
    return page_of(record)


@pytest.fixture(scope="module")
def page(source, check_page):
    """The same, parsed."""
    return check_page(source)


def test_the_page_is_well_formed_and_says_what_happened(page):
    """Every tag closes in turn; title, verdict and sections are there, in this order."""
    headings = [
        "Alignment of gas spectrometer", "In spec", "term by term", "Start and end",
        "Convergence", "Moves", "Limits of this report", "Cautions", "Provenance",
    ]  # fmt: skip
    places = [page.text.find(h) for h in headings]
    assert all(p >= 0 for p in places)
    assert page.text.index("In spec") < page.text.index("term by term")
    assert "6 measurements and 2 moves in 4 min 12 s" in page.text


def test_the_page_needs_nothing_outside_itself(page, source):
    """No scripts, no addresses but embedded pictures, no imports in the style sheet."""
    assert page.addresses
    assert all(a.startswith("data:image/png;base64,") for a in page.addresses)
    assert not page.all("script")
    assert not page.all("link")
    bare = re.sub(r"base64,[A-Za-z0-9+/=]+", "", source)
    assert len(bare) < 30_000
    assert not re.search(r"https?:|url\(|@import|src=\"//", bare)


def test_every_picture_has_words_and_light_in_it(page):
    """Alternative texts of use, and pictures with both paper and ink."""
    pictures = page.all("img")
    assert len(pictures) == 6
    for attributes in pictures:
        assert len(attributes["alt"]) > 40
        raw = base64.b64decode(attributes["src"].partition(",")[2])
        grey = np.asarray(Image.open(io.BytesIO(raw)).convert("L"), dtype=float)
        assert grey.max() == 255
        assert 0.001 < np.mean(grey < 128) < 0.5
        assert grey.std() > 10


def test_tables_have_captions_and_scoped_headers(page):
    """Screen readers can name every cell's row and column."""
    assert len(page.all("table")) == len(page.all("caption")) == 2
    headers = page.all("th")
    assert {h.get("scope") for h in headers} == {"row", "col"}
    assert page.all("html") == [{"lang": "en"}]
    assert len(page.all("h1")) == 1


def test_every_number_of_the_verdict_has_its_unit(page):
    """Columns name the unit; converted values are those of the record."""
    text = page.text
    assert "pointing sideways (x) 0.900 0.018 0 ± 0.1 0.0080 mrad yes" in text
    assert "ellipticity, far to near 0.8000 0.9960 1 ± 0.015 0.0020 ratio yes" in text


def test_the_standard_s_figures_stand_beside_the_terms(record, check_page):
    """The asymptotic angle and each plane's ellipticity, at the start and at the end."""
    own = (
        OwnFigure(OWN_DIVERGENCE, "rad", 3.94e-3, 0.05e-3),
        OwnFigure("ellipticity at far", "1", 0.9, 0.001),
    )
    page = check_page(page_of(replace(record, own_before=own[:1], own_after=own)))
    assert "The beam itself (ISO 11146)" in page.text
    assert f"{OWN_DIVERGENCE} 3.940 ± 0.050 mrad 3.940 ± 0.050 mrad" in page.text
    assert "ellipticity at far – 0.9000 ± 0.0010" in page.text


def test_one_measurement_without_a_move_is_said_so(record):
    """No "1 looks", and no move that never was."""
    alone = replace(record, measurements=record.measurements[-1:], moves=())
    text = verdict_text(alone)
    assert text.startswith("1 measurement and 0 moves in ")
    assert "Nothing was moved; these figures are from the last measurement." in text
    assert "after the last move" not in text


@pytest.mark.slow
def test_hostile_names_stay_text(record, check_page):
    """Names of benches, axes, terms, planes and messages can carry anything and break nothing."""
    measurement = record.measurements[-1]
    bad = replace(
        record,
        bench=HOSTILE, strategy=HOSTILE, reason=HOSTILE, notes=(HOSTILE,),
        axes=(Axis(HOSTILE.strip(), "mm", -1, 1),),
        measurements=(*record.measurements[:-1], replace(
            measurement, positions={HOSTILE: 0.1},
            terms=tuple(replace(t, name=HOSTILE) for t in measurement.terms[:1]),
        )),
        moves=tuple(replace(m, axis=HOSTILE, outcome=HOSTILE) for m in record.moves),
        before=tuple(replace(p, plane=HOSTILE, flags=(HOSTILE,)) for p in record.before[:1]),
        after=(),
        provenance={HOSTILE: HOSTILE},
    )  # fmt: skip
    page = check_page(page_of(bad))
    assert not page.all("script")
    assert "\x00" not in page_of(bad)
    assert all(a.startswith("data:image/png;base64,") for a in page.addresses)
    assert page.text.count("<script>alert(1)</script>") >= 8


@pytest.mark.slow
def test_a_run_that_saw_nothing_still_gives_a_page(record, check_page):
    """No probes, no frames, no terms: the page says so instead of failing."""
    empty = replace(
        record, measurements=(), moves=(), before=(), after=(), last=None, outcome="stopped"
    )
    page = check_page(page_of(empty))
    assert "Not shown to be in spec: stopped" in page.text
    assert "nothing is claimed" in page.text


@pytest.mark.slow
def test_a_frame_without_a_beam_is_shown_and_said(record, check_page):
    """Dark frames have no outline; the caption says that nothing could be measured."""
    dark = tuple(replace(p, outline=None) for p in record.before)
    page = check_page(page_of(replace(record, before=dark)))
    assert page.text.count("no beam could be measured in it") == 2


@pytest.mark.slow
def test_a_long_list_of_moves_is_cut_and_said_so(record, check_page):
    """Hundreds of moves: the ends are shown, the count and the journal are named."""
    page = check_page(page_of(replace(record, moves=record.moves * 300)))
    assert "The first 60 and the last 60 of 600 rows" in page.text
    assert page.text.count("timed out, position unknown") == 60


@pytest.mark.slow
def test_the_file_is_written_where_asked(record, tmp_path):
    """Missing folders are made; the path comes back."""
    out = write_report(record, tmp_path / "new" / "run.html")
    assert out.read_text(encoding="utf-8").startswith("<!DOCTYPE html>")


def test_markup_escapes_text_and_attributes_once():
    """Plain text is escaped, markup is not escaped again, attributes are quoted."""
    inner = tag("b", "a<b")
    assert inner == "<b>a&lt;b</b>"
    assert isinstance(inner, Html)
    assert tag("p", inner, class_='"q"') == '<p class="&quot;q&quot;"><b>a&lt;b</b></p>'
    assert "&lt;i&gt;" in table("<i>", ["a", "b"], [["1", "2"]])


def test_cautions_defer_to_people(page):
    """Laser safety officer and local rules decide; software limits are no safety function."""
    for words in ("laser safety officer", "local rules", "not a safety function", "IEC 60825-1"):
        assert words in page.text


def test_every_invisible_wavelength_is_cautioned_about():
    """IEC 60825-1 general knowledge, from memory: seen in 400-700 nm, weakly above 650 nm."""
    assert [
        line for line in cautions(633e-6, 660e-6, 750e-6, 1550e-6, 380e-6) if " nm" in line
    ] == [
        "Wear eyewear for 633 nm. It reaches the retina.",
        "Wear eyewear for 660 nm. A beam of 660 nm looks far weaker than it is. It reaches the "
        "retina.",
        "Wear eyewear for 750 nm. Light of 750 nm cannot be seen and the blink reflex does not "
        "protect. It reaches the retina.",
        "Wear eyewear for 1550 nm. Light of 1550 nm cannot be seen and the blink reflex does not "
        "protect.",
        "Wear eyewear for 380 nm. Light of 380 nm cannot be seen and the blink reflex does not "
        "protect.",
    ]
    assert any("the blink reflex does not protect" in line for line in cautions())


@pytest.mark.parametrize(
    ("nm", "seen", "faint", "retina"),
    [
        (399.9, False, False, False), (400.0, True, False, True), (650.0, True, False, True),
        (650.1, True, True, True), (700.0, True, True, True), (700.1, False, False, True),
        (1400.0, False, False, True), (1400.1, False, False, False),
    ],
)  # fmt: skip
def test_the_limits_of_the_bands_are_those_of_the_standard(nm, seen, faint, retina):
    """IEC 60825-1, from memory: 400-700 nm visible, 400-1400 nm to the retina; limits included."""
    for lines in (cautions(nm * 1e-6), before_motion(nm * 1e-6)):
        line = next(line for line in lines if line.startswith("Wear eyewear"))
        assert ("cannot be seen" not in line) is seen
        assert ("far weaker" in line) is faint
        assert ("retina" in line) is retina


@pytest.mark.parametrize(
    "words",
    [
        "block the beam, or dim it", "never switches the light off", "eyewear for",
        "watches and rings", "passes the edge of", "is not detected",
        "motors start without warning", "local rules, the laser safety officer and licensed",
        "are not a safety function",
    ],
)  # fmt: skip
def test_pages_and_screens_say_what_hurts(words):
    """The page, and what is said before motion; at night the notice at the door as well."""
    for lines in (cautions(633e-6), before_motion(633e-6, unattended=True)):
        assert words in " ".join(lines).lower()
        assert "notice at the door" in " ".join(lines)
    assert "notice at the door" not in " ".join(before_motion(633e-6))
