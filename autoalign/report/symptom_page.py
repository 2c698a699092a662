"""The page at the screen: what each axis does to the beam, and what a deviation may mean."""

from __future__ import annotations

import math
from collections.abc import Iterator, Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse

from autoalign.core.cautions import cautions
from autoalign.core.files import write_whole
from autoalign.journal.record import Outline
from autoalign.optics.layout import Layout
from autoalign.report.frame_view import draw_mark, draw_outline
from autoalign.report.markup import Html, figure, page, table, tag
from autoalign.report.plan_drawing import plan_figure
from autoalign.report.spots import Spot
from autoalign.report.style import QUIET, dress, new_figure, plain, png_uri
from autoalign.report.symptoms import Symptom, axis_symptoms, look_alikes, readings

__all__ = ["symptom_figure", "write_symptoms"]

Window = tuple[float, float, float]


def write_symptoms(layout: Layout, out_path: str | Path, name: str = "") -> Path:
    """Write the symptoms of every axis of ``layout`` as one HTML file and return its path."""
    symptoms = axis_symptoms(layout)
    title = f"What you see, what it means: {name or layout.family}"
    text = page(
        title,
        tag("h1", title),
        tag("p", _about(layout), class_="where"),
        tag("h2", "The bench"),
        _drawing(layout),
        tag("h2", "What you see, what it may mean"),
        tag(
            "p",
            "Find what you see in the first column. The second names what does just that, the "
            "strongest cause first; the cure is the opposite sign.",
        ),
        _reading_table(symptoms),
        *_alike(symptoms),
        tag("h2", "Axis by axis"),
        tag(
            "p",
            "Dashed: the aligned beam. Orange: with the axis off by the amount named. All pictures "
            "of a plane have one scale. Seen facing the oncoming light, x in the plane of "
            "incidence, y up.",
            class_="small",
        ),
        *_rows(symptoms),
        tag("h2", "Cautions"),
        tag("ul", *(tag("li", line) for line in cautions(*(w for w, _ in layout.light.lines)))),
    )
    return write_whole(out_path, text)


def symptom_figure(symptom: Symptom, plane: str, window: Window, side: float = 2.5) -> Figure:
    """Return a small plot of one plane: the ellipse without and with the axis off."""
    drawing = new_figure(side, side + 0.15)
    _plane(drawing.subplots(), symptom, plane, window)
    return drawing


def _plane(axes: Axes, symptom: Symptom, plane: str, window: Window) -> None:
    x, y, half = window
    axes.set_xlim(x - half, x + half)
    axes.set_ylim(y - half, y + half)
    axes.set_aspect("equal")
    dress(axes, "x, mm", "y, mm", plain(plane, 20), 9)
    before = symptom.before[plane].outline
    axes.add_patch(
        Ellipse(
            before.centre, *before.widths, angle=math.degrees(before.azimuth), fill=False,
            edgecolor=QUIET, linewidth=1.4, linestyle=(0, (4, 2.5)),
        )
    )  # fmt: skip
    draw_mark(axes)
    if symptom.after[plane].power > 0:
        draw_outline(axes, symptom.after[plane].outline)


def _windows(symptoms: Sequence[Symptom]) -> dict[str, Window]:
    """Return centre and half side, mm, of a square around every ellipse, by plane."""
    out: dict[str, Window] = {}
    for plane in symptoms[0].after:
        spots = [s for symptom in symptoms for s in (symptom.before[plane], symptom.after[plane])]
        reach = max(_reach(s) for s in spots if s.power > 0)
        out[plane] = (0.0, 0.0, 1.08 * reach)
    return out


def _reach(spot: Spot) -> float:
    outline: Outline = spot.outline
    (x, y), (w, h) = outline.centre, outline.half_box
    return max(abs(x) + w, abs(y) + h)


def _rows(symptoms: Sequence[Symptom]) -> Iterator[Html]:
    windows = _windows(symptoms)
    for axis in dict.fromkeys(s.axis for s in symptoms):
        yield tag("h3", axis)
        pair = (s for s in symptoms if s.axis == axis)
        yield tag("div", *(_one(s, windows) for s in pair), class_="pair")


def _one(symptom: Symptom, windows: dict[str, Window]) -> Html:
    side = 2.5 if len(symptom.after) < 3 else 2.0
    pictures, lines = [], [tag("strong", symptom.label)]
    for plane, window in windows.items():
        words = f"{plane}: {symptom.sentence(plane)}."
        drawing = png_uri(symptom_figure(symptom, plane, window, side), 130)
        pictures.append(tag("img", src=drawing, alt=f"{symptom.label}. {words}"))
        lines.append(tag("div", words))
    strip = tag("div", *pictures, class_="strip")
    return tag("figure", strip, tag("figcaption", *lines))


def _drawing(layout: Layout) -> Html:
    words = (
        f"Drawing of the {layout.family} bench, from above and from the side, with its distances, "
        "its axes and their positive senses."
    )
    inner = figure(png_uri(plan_figure(layout), 110), words)
    return tag("div", inner, class_="scroll wide", role="region", aria_label=words, tabindex="0")


def _reading_table(symptoms: Sequence[Symptom]) -> Html:
    rows = [
        (seen, ", ".join(c.replace(" ", "\u00a0") for c in causes))
        for seen, causes in readings(symptoms).items()
    ]
    return table("Calculated by tracing this bench.", ("You see", "It may mean"), rows, "cards")


def _alike(symptoms: Sequence[Symptom]) -> Iterator[Html]:
    pairs = look_alikes(symptoms)
    if not pairs:
        return
    yield tag("h3", "What looks alike")
    yield tag(
        "p",
        "At a glance the following look the same at these planes. To tell them apart, measure the "
        "shape with care, or move each in turn and see which one helps.",
    )
    yield tag("ul", *(tag("li", f"{a} and {b}") for a, b in pairs))


def _about(layout: Layout) -> str:
    return (
        f"Calculated by tracing rays through the ideal {layout.family} bench; a real one has its "
        "own mirror figure, play and cross-talk."
    )
