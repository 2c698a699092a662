"""The page of symptoms: the effect of each axis on the beam, and the causes of a deviation."""

from __future__ import annotations

import math
from collections.abc import Callable, Iterator, Sequence
from pathlib import Path

from matplotlib.axes import Axes
from matplotlib.figure import Figure
from matplotlib.patches import Ellipse

from autoalign.core.cautions import cautions
from autoalign.core.files import atomic_write
from autoalign.journal.record import Outline
from autoalign.optics.layout import Layout
from autoalign.report.aberrations import aberration_words
from autoalign.report.frame_view import draw_fiducial, draw_outline
from autoalign.report.markup import Html, figure, page, table, tag
from autoalign.report.plan_drawing import plan_figure
from autoalign.report.spots import Spot
from autoalign.report.style import QUIET, dress, new_figure, plain, png_uri
from autoalign.report.symptoms import Symptom, axis_symptoms, look_alikes, readings

__all__ = ["symptom_figure", "write_symptoms"]

Window = tuple[float, float, float]


def write_symptoms(
    layout: Layout,
    out_path: str | Path,
    name: str = "",
    progress: Callable[[str], None] | None = None,
) -> Path:
    """Write the symptoms of every axis of ``layout`` as one HTML file and return its path.

    ``progress`` is given the name of each axis before it is traced.
    """
    symptoms = axis_symptoms(layout, progress)
    title = f"Symptoms and causes: {name or layout.kind}"
    text = page(
        title,
        tag("h1", title),
        tag("p", _about(layout), class_="where"),
        tag("h2", "The bench"),
        _drawing(layout),
        tag("h2", "From symptom to cause"),
        tag(
            "p",
            "Find what the camera or the screen shows in the first column. The second column lists "
            "the misalignments that cause it, the strongest first; to correct, move the axis the "
            "opposite way.",
        ),
        _reading_table(symptoms),
        *_alike(symptoms),
        tag("h2", "Axis by axis"),
        tag(
            "p",
            "Dashed: the aligned beam. Orange: with the axis misaligned by the amount given. Ring: "
            "the fiducial. All pictures of a plane have the same scale. Drawn as viewed against "
            "the beam, x in the plane of incidence, y up."
            + (
                " Wavefront: aberrations that the misalignment adds to the aligned beam, "
                "defocus to coma, with pointing left out."
                if layout.kind == "collimator"
                else ""
            ),
            class_="small",
        ),
        *_rows(layout, symptoms),
        tag("h2", "Cautions"),
        tag("ul", *(tag("li", line) for line in cautions(*(w for w, _ in layout.light.lines)))),
    )
    return atomic_write(out_path, text)


def symptom_figure(symptom: Symptom, plane: str, window: Window, side: float = 2.5) -> Figure:
    """Return a small plot of one plane: the ellipse without and with the misalignment."""
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
    draw_fiducial(axes)
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


def _rows(layout: Layout, symptoms: Sequence[Symptom]) -> Iterator[Html]:
    windows = _windows(symptoms)
    for axis in dict.fromkeys(s.axis for s in symptoms):
        yield tag("h3", axis)
        pair = (s for s in symptoms if s.axis == axis)
        yield tag("div", *(_one(layout, s, windows) for s in pair), class_="pair")


def _one(layout: Layout, symptom: Symptom, windows: dict[str, Window]) -> Html:
    side = 2.5 if len(symptom.after) < 3 else 2.0
    pictures, lines = [], [tag("strong", symptom.label)]
    for plane, window in windows.items():
        words = f"{plane}: {symptom.sentence(plane)}."
        drawing = png_uri(symptom_figure(symptom, plane, window, side), 130)
        pictures.append(tag("img", src=drawing, alt=f"{symptom.label}. {words}"))
        lines.append(tag("div", words))
    if optical := aberration_words(layout, symptom.axis, symptom.amount):
        lines.append(tag("div", f"Wavefront: {optical}."))
    strip = tag("div", *pictures, class_="strip")
    return tag("figure", strip, tag("figcaption", *lines))


def _drawing(layout: Layout) -> Html:
    words = (
        f"Drawing of the {layout.kind} bench, from above and from the side, with its distances, "
        "its axes and their positive senses."
    )
    inner = figure(png_uri(plan_figure(layout), 110), words)
    return tag("div", inner, class_="scroll wide", role="region", aria_label=words, tabindex="0")


def _reading_table(symptoms: Sequence[Symptom]) -> Html:
    rows = [
        (seen, ", ".join(c.replace(" ", "\u00a0") for c in causes))
        for seen, causes in readings(symptoms).items()
    ]
    return table(
        "Calculated by tracing rays through this bench.",
        ("Symptom", "Possible causes"),
        rows,
        "cards",
    )


def _alike(symptoms: Sequence[Symptom]) -> Iterator[Html]:
    pairs = look_alikes(symptoms)
    if not pairs:
        return
    yield tag("h3", "Misalignments with the same symptoms")
    yield tag(
        "p",
        "The following pairs have nearly the same symptoms at these planes. To distinguish them, "
        "measure the shape of the beam accurately, or move each axis in turn and measure which one "
        "helps.",
    )
    yield tag("ul", *(tag("li", f"{a} and {b}") for a, b in pairs))


def _about(layout: Layout) -> str:
    return (
        f"Calculated by tracing rays through the ideal {layout.kind} bench; a real one also has "
        "mirror figure errors, backlash and cross-talk."
    )
