"""A page of pictures: each kind of bench aligned, and misaligned along every axis.

The caller renders the frames; this module does not import simulators.
"""

from __future__ import annotations

from collections.abc import Callable, Iterable, Iterator, Mapping, Sequence
from dataclasses import dataclass, replace
from pathlib import Path
from typing import Any

from matplotlib.figure import Figure

from autoalign.beam.profile import BeamProfile
from autoalign.core.errors import FrameError
from autoalign.core.files import atomic_write
from autoalign.core.frames import Frame
from autoalign.core.interfaces import Simulation
from autoalign.journal.record import FramePicture
from autoalign.optics.layout import Layout
from autoalign.report.frame_view import Window, describe, draw_picture, window_for
from autoalign.report.markup import Html, page, tag
from autoalign.report.style import new_figure, plain, png_uri
from autoalign.report.symptoms import axis_symptoms

__all__ = ["GalleryCase", "gallery_cases", "simulated_render", "write_gallery"]

ALIGNED = "aligned"

_PATIENCE = 600.0
"""Simulated time to wait for a frame, s."""

Render = Callable[[Mapping[str, float]], Mapping[str, Frame]]
Measure = Callable[[Frame], BeamProfile]


@dataclass(frozen=True, slots=True, eq=False)
class GalleryCase:
    """One row of the gallery: ``label`` ("aligned", "source.x +0.5 mm"), what the physics
    predicts (``words``), and one picture per plane.
    """

    kind: str
    label: str
    pictures: tuple[FramePicture, ...]
    words: str = ""


def gallery_cases(
    layout: Layout, render: Render, measure: Measure | None = None, kind: str = ""
) -> Iterator[GalleryCase]:
    """Yield the aligned bench and then every axis misaligned in both directions.

    Parameters
    ----------
    layout
        The nominal bench; its trace chooses visible amounts, and predicts what they do.
    render
        Takes axis positions (mm or rad, by name; others at 0) and returns a frame by plane.
    measure
        Takes a frame and returns its profile, for the ellipses; None draws none.
    """
    name = kind or layout.kind
    yield GalleryCase(name, ALIGNED, _pictures(render({}), measure))
    for symptom in axis_symptoms(layout):
        words = " ".join(f"{p}: {symptom.sentence(p)}." for p in symptom.after)
        pictures = _pictures(render({symptom.axis: symptom.amount}), measure)
        yield GalleryCase(name, symptom.label, pictures, words)


def simulated_render(
    simulate: Callable[..., Simulation], layout: Layout, seed: int = 0, **options: Any
) -> Render:
    """Return a ``render`` for :func:`gallery_cases` that asks a simulation (entry-point group
    ``autoalign.simulations``) for frames of ``layout``'s bench, with nothing else misaligned.
    """
    aligned = dict.fromkeys((m.axis for m in layout.motions), 0.0)

    def render(positions: Mapping[str, float]) -> Mapping[str, Frame]:
        simulation = simulate(seed, hidden=aligned | dict(positions), **options)
        try:
            now = simulation.clock.now()
            seen = [d.acquire(1, now, now + _PATIENCE)[0] for d in simulation.detectors.values()]
            return {e.plane: e for e in seen if isinstance(e, Frame)}
        finally:
            simulation.close()

    return render


def write_gallery(
    cases: Iterable[GalleryCase], out_path: str | Path, title: str = "Gallery of simulated benches"
) -> Path:
    """Write ``cases`` as one HTML file, family by family, and return its path."""
    by_family: dict[str, list[GalleryCase]] = {}
    for case in cases:
        by_family.setdefault(case.kind, []).append(case)
    text = page(
        title,
        tag("h1", title),
        tag("p", _HOW_TO_READ, class_="where"),
        *(part for name, rows in by_family.items() for part in _family(name, rows)),
    )
    return atomic_write(out_path, text)


_HOW_TO_READ = (
    "Simulated benches, each aligned and then with one axis misaligned at a time. Orange: the "
    "measured ellipse and its centroid. Ring: the fiducial of the plane. Darker is more light; "
    "each frame is scaled from its background to its brightest pixels; grey is outside the frame. "
    "Drawn as viewed against the beam. All frames of a plane of one bench have the same scale. The "
    "text is what a ray trace of the ideal bench predicts."
)


def _pictures(frames: Mapping[str, Frame], measure: Measure | None) -> tuple[FramePicture, ...]:
    out = []
    for plane, frame in frames.items():
        picture = FramePicture(plane, frame)
        if measure is not None:
            try:
                picture = replace(FramePicture.of(frame, measure(frame)), plane=plane)
            except FrameError as error:
                picture = FramePicture(plane, frame, flags=(str(error),), limited=True)
        out.append(picture)
    return tuple(out)


def _family(name: str, cases: Sequence[GalleryCase]) -> Iterator[Html]:
    yield tag("h2", name)
    planes = dict.fromkeys(p.plane for case in cases for p in case.pictures)
    windows = {
        plane: window_for([p for case in cases for p in case.pictures if p.plane == plane])
        for plane in planes
    }
    alone = [case for case in cases if case.label == ALIGNED]
    rest = [case for case in cases if case.label != ALIGNED]
    for group in (alone, rest):
        if group:
            yield tag("div", *(_case(case, windows) for case in group), class_="pair")


def _case(case: GalleryCase, windows: Mapping[str, Window]) -> Html:
    side = 2.5 if len(case.pictures) < 3 else 2.0
    pictures = [
        tag(
            "img",
            src=png_uri(_figure(p, windows[p.plane], side), 130),
            alt=f"{case.label}. {describe(p)}",
        )
        for p in case.pictures
    ]
    words = tag("figcaption", tag("strong", case.label), tag("div", case.words))
    return tag("figure", tag("div", *pictures, class_="strip"), words)


def _figure(picture: FramePicture, window: Window, side: float) -> Figure:
    drawing = new_figure(side, side + 0.15)
    bare = replace(picture, flags=())
    draw_picture(drawing.subplots(), bare, window, plain(picture.plane, 20), 9)
    return drawing
