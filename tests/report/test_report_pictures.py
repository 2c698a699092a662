"""Pictures: what is drawn lies where it was measured."""

from __future__ import annotations

import math
from dataclasses import replace

import numpy as np
import pytest
from matplotlib.figure import Figure
from PIL import Image

from autoalign.core.frames import Frame
from autoalign.journal.record import FramePicture, Outline
from autoalign.report.convergence import convergence_figure
from autoalign.report.frame_view import draw_picture, light_range, window_for
from autoalign.report.profile_picture import draw_profile, profile_figure
from autoalign.report.run_picture import draw_run
from autoalign.report.style import MARK, light_colours, new_figure

VIEWS = {
    "upright": ((1.0, 0.0), (0.0, -1.0)),
    "mirrored": ((-1.0, 0.0), (0.0, -1.0)),
    "sideways": ((0.0, 1.0), (1.0, 0.0)),
    "turned": ((math.cos(0.3), math.sin(0.3)), (-math.sin(0.3), math.cos(0.3))),
}


def render(picture: FramePicture, window) -> tuple[np.ndarray, Figure]:
    """Return the drawn pixels, and the figure whose transforms say where they are."""
    figure = new_figure(5, 5)
    draw_picture(figure.add_subplot(), picture, window, "far")
    figure.canvas.draw()
    return np.asarray(figure.canvas.buffer_rgba())[..., :3].astype(float), figure


def plane_points(mask: np.ndarray, figure: Figure) -> np.ndarray:
    """Return (n, 2) plane coordinates, mm, of the pixels in ``mask``."""
    rows, columns = np.nonzero(mask)
    display = np.stack([columns + 0.5, mask.shape[0] - rows - 0.5], axis=1)
    return figure.axes[0].transData.inverted().transform(display)


def of_colour(pixels: np.ndarray, colour: str, reach: float = 40) -> np.ndarray:
    """Return which pixels are within ``reach`` (sum over channels) of ``colour``."""
    rgb = [int(colour[k : k + 2], 16) for k in (1, 3, 5)]
    return np.abs(pixels - rgb).sum(axis=-1) < reach


@pytest.mark.parametrize("view", VIEWS)
def test_the_ellipse_is_drawn_where_the_profile_says(make_picture, view):
    """Orange pixels lie on the d_σ ellipse in plane axes, whichever way the camera hangs."""
    picture = make_picture(
        "far", centre=(1.5, -0.8), widths=(7, 3.5), azimuth=0.4, view=VIEWS[view]
    )
    pixels, figure = render(picture, (-6, 6, -6, 6))
    points = plane_points(of_colour(pixels, MARK), figure)
    outline = picture.outline
    d = points - np.asarray(outline.centre)
    c, s = math.cos(outline.azimuth), math.sin(outline.azimuth)
    r = np.hypot(
        (d[:, 0] * c + d[:, 1] * s) / (outline.widths[0] / 2),
        (-d[:, 0] * s + d[:, 1] * c) / (outline.widths[1] / 2),
    )
    ring = r[r > 0.6]  # the cross at the centroid is orange too
    assert len(ring) > 200
    assert abs(np.median(ring) - 1) < 0.02
    assert np.all(np.abs(ring - 1) < 0.08)


@pytest.mark.parametrize("view", VIEWS)
def test_the_light_is_drawn_under_its_ellipse(make_picture, view):
    """The middle of the drawn darkness is the profile's centroid: frame and overlay agree."""
    picture = make_picture("far", centre=(1.5, -0.8), widths=(4, 3), view=VIEWS[view])
    pixels, figure = render(replace(picture, outline=None), (-5, 5, -5, 5))
    dark = of_colour(pixels, "#16242c", 150) | (pixels.sum(axis=-1) < 250)
    box = figure.axes[0].get_window_extent()
    inside = np.zeros_like(dark)
    height = dark.shape[0]
    inside[
        int(height - box.y1) + 3 : int(height - box.y0) - 3, int(box.x0) + 3 : int(box.x1) - 3
    ] = 1
    points = plane_points(dark & inside, figure)
    points = points[np.hypot(*points.T) > 0.5]  # leave the ring of the plane's mark out
    assert len(points) > 100
    assert np.allclose(np.median(points, axis=0), picture.outline.centre, atol=0.15)


def test_the_outline_turns_with_the_view():
    """A camera that looks at the plane from behind mirrors the azimuth and x; widths stay."""
    turned = Outline((2.0, 1.0), (5.0, 3.0), 0.3).turned(((-1.0, 0.0), (0.0, 1.0)))
    assert turned.centre == (-2.0, 1.0)
    assert turned.widths == (5.0, 3.0)
    assert math.isclose(turned.azimuth, -0.3)


def test_the_window_holds_every_ellipse_and_the_mark(make_picture):
    """Square, and around all of the pictures of a plane."""
    pictures = [make_picture("far", centre=(4, 3)), make_picture("far", centre=(-2, 0))]
    x0, x1, y0, y1 = window_for(pictures)
    assert math.isclose(x1 - x0, y1 - y0)
    for p in pictures:
        (x, y), (w, h) = p.outline.centre, p.outline.half_box
        assert x0 < x - w < x + w < x1
        assert y0 < y - h < y + h < y1
    assert x0 < 0 < x1


def test_equal_steps_of_light_look_equal():
    """CIE L* of the map falls all the way, in near-equal steps (IEC 61966-2-1, CIE 15).

    Both from memory.
    """
    rgb = light_colours()
    linear = np.where(rgb <= 0.04045, rgb / 12.92, ((rgb + 0.055) / 1.055) ** 2.4)
    luminance = linear @ [0.2126, 0.7152, 0.0722]
    lightness = np.where(
        luminance > (6 / 29) ** 3, 116 * np.cbrt(luminance) - 16, luminance * (29 / 3) ** 3
    )
    steps = -np.diff(lightness)
    assert np.all(steps > 0)
    assert lightness[0] > 97
    assert lightness[-1] < 20
    assert steps.max() / steps.min() < 1.1


@pytest.mark.slow
def test_the_run_picture_has_ink_paper_and_overlay(record, tmp_path):
    """Not blank, light ground, orange overlays on all four frames."""
    image = np.asarray(Image.open(draw_run(record, tmp_path / "run.png")).convert("RGB"), float)
    assert np.mean(image.min(axis=-1) > 240) > 0.4
    assert of_colour(image, MARK).sum() > 3000
    assert image.shape[1] > 1200


@pytest.mark.slow
def test_the_run_picture_works_without_frames_or_probes(record, tmp_path):
    """A run that failed at once still leaves a picture."""
    bare = replace(
        record, measurements=(), before=(), after=(), last=None, outcome="hardware fault"
    )
    assert draw_run(bare, tmp_path / "bare.png").stat().st_size > 5000


@pytest.mark.slow
@pytest.mark.parametrize("view", VIEWS)
def test_a_profile_picture_has_the_axes_of_the_table(make_gaussian, view):
    """Cross, window and pixels lie in the plane's axes, y up: where the table says."""
    frame, profile = make_gaussian(centre=(2, -1), azimuth=0.4, view=VIEWS[view])
    figure = profile_figure(frame, profile)
    cross = next(line for line in figure.axes[1].lines if line.get_marker() == "+")
    assert np.hstack(cross.get_data()) == pytest.approx(profile.in_plane_axes().centroid)
    assert figure.axes[0].get_ylim()[1] > figure.axes[0].get_ylim()[0]
    assert figure.axes[0].get_ylabel() == "y (up), mm"


def test_a_profile_picture_without_a_pitch_is_in_pixels_on_the_sensor(make_gaussian):
    """No label says mm, y goes down, and no fiducial is drawn where there is none."""
    frame, profile = make_gaussian(centre=(2, -1))
    figure = profile_figure(frame, profile, unit="px", sensor=True)
    texts = [t.get_text() for a in figure.axes for t in (*a.texts, a.xaxis.label, a.yaxis.label)]
    assert not [t for t in texts if "mm" in t]
    assert "y (downwards), px" in texts
    assert figure.axes[0].get_ylim()[1] < figure.axes[0].get_ylim()[0]


def test_a_profile_picture_shows_pixels_and_flags(make_gaussian, tmp_path):
    """The measured frame in the camera's own axes, not blank."""
    frame, profile = make_gaussian(centre=(2, -1), azimuth=0.4)
    image = Image.open(draw_profile(frame, profile, tmp_path / "p.png")).convert("L")
    grey = np.asarray(image, dtype=float)
    assert grey.std() > 15
    assert grey.max() == 255


def test_a_frame_of_nothing_is_drawn(tmp_path):
    """All zeros and NaN pixels make a picture and no warning."""
    for pixels in (np.zeros((20, 30)), np.full((20, 30), np.nan)):
        picture = FramePicture("far", Frame(pixels, pitch=0.1))
        rendered, _ = render(picture, window_for([picture]))
        assert rendered.std() > 5


def test_a_small_spot_among_hot_pixels_keeps_its_shades():
    """A spot of few pixels in a large frame is no black blot, and no glitch hides it."""
    y, x = np.mgrid[-64:64, -64:64]
    spot = 1000 * np.exp(-(x**2 + y**2) / 8.0)
    pixels = 20 + spot + np.random.default_rng(3).normal(0, 2, spot.shape)
    pixels[5, 5] = 4095
    low, high = light_range(pixels)
    assert 15 < low < 22
    assert 700 < high < 1020


def test_noise_alone_is_not_drawn_as_light():
    """A dark frame stays pale: its noise spans no more than a part of the shades."""
    noise = np.random.default_rng(4).normal(100, 3, (80, 80))
    low, high = light_range(noise)
    assert high - low > 5 * noise.std()


@pytest.mark.slow
def test_a_long_run_shows_its_best_so_far(record):
    """Hundreds of probes: the thick line never rises, dots show every probe's merit."""
    rng = np.random.default_rng(1)
    merits = rng.random(200)
    rows = [replace(record.measurements[1], number=k, merit=float(m)) for k, m in enumerate(merits)]
    figure = convergence_figure(replace(record, measurements=tuple(rows)))
    lines = {line.get_label(): line for line in figure.axes[0].lines}
    best = lines["best merit so far"].get_ydata()
    assert np.all(np.diff(best) <= 0)
    assert best[-1] == max(min(r.merit for r in rows), 0.01)
    assert len(lines["merit of every measurement"].get_ydata()) == 200
