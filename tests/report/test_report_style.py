"""The look: readable by everyone, and loaded only when something is drawn."""

from __future__ import annotations

import subprocess
import sys

import pytest

from autoalign.report import style


def luminance(colour: str) -> float:
    """Return the relative luminance of a #rrggbb colour (IEC 61966-2-1, from memory)."""
    parts = [int(colour[k : k + 2], 16) / 255 for k in (1, 3, 5)]
    linear = [p / 12.92 if p <= 0.04045 else ((p + 0.055) / 1.055) ** 2.4 for p in parts]
    return 0.2126 * linear[0] + 0.7152 * linear[1] + 0.0722 * linear[2]


@pytest.mark.parametrize("name", ["INK", "QUIET", "BLUE", "MARK", "GOOD", "BAD"])
@pytest.mark.parametrize("ground", ["PAPER", "FAINT"])
def test_text_colours_are_readable_on_paper(name, ground):
    """Contrast of at least 4.5 : 1 (WCAG 2.1, success criterion 1.4.3, from memory)."""
    dark, light = luminance(getattr(style, name)), luminance(getattr(style, ground))
    assert (light + 0.05) / (dark + 0.05) >= 4.5


def test_lines_differ_in_more_than_colour():
    """Colour, marker and dashes are all different: colour-blind readers and grey prints."""
    for k in range(3):
        assert len({str(s[k]) for s in style.SERIES}) == len(style.SERIES)


def test_the_page_and_the_figures_share_their_colours():
    """One palette: the style sheet names the same inks as the figures."""
    from autoalign.report.markup import SHEET  # noqa: PLC0415

    for colour in (style.INK, style.QUIET, style.GOOD, style.BAD, style.BLUE, style.HAIR):
        assert colour in SHEET


@pytest.mark.slow
def test_importing_the_package_loads_nothing_heavy():
    """matplotlib comes with the first picture, not with the import; pyplot never."""
    code = (
        "import sys, autoalign.report as r;"
        "assert not {'matplotlib', 'PIL', 'scipy'} & set(sys.modules), 'heavy at import';"
        "r.draw_plan; r.draw_run; r.write_gallery; r.write_symptoms; r.draw_profile;"
        "assert 'matplotlib' in sys.modules and 'matplotlib.pyplot' not in sys.modules"
    )
    subprocess.run([sys.executable, "-c", code], check=True, timeout=60)


def test_a_name_with_dollars_is_drawn_as_it_stands():
    """No formula is read out of a name; control characters and overlong names are cut."""
    assert style.plain("$x$\n") == r"\$x\$"
    assert style.plain("a" * 50, 10) == "a" * 9 + "…"


def test_unknown_names_of_the_package_are_refused():
    """A misspelt attribute is an AttributeError, as for any module."""
    import autoalign.report as package  # noqa: PLC0415

    with pytest.raises(AttributeError, match="no attribute 'draw_everything'"):
        package.draw_everything  # noqa: B018
