"""Rendering against a hundred times denser picture, and against the exact moments."""

from __future__ import annotations

from dataclasses import replace
from typing import Any

import numpy as np
import pytest
from autoalign_simulators.blemishes import Blemish, Blemishes, Post
from autoalign_simulators.collimator import simulate
from autoalign_simulators.figure import FigureError
from autoalign_simulators.glow import Glow
from autoalign_simulators.kernel import blur, disk_kernel, gaussian_kernel
from autoalign_simulators.pixelmap import PixelMap
from autoalign_simulators.render import Renderer
from autoalign_simulators.train import Train

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.standard_layouts import collimator_layout
from autoalign.optics.trace import to_plane

LAYOUT = collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.12, 660e-6)
PITCH = {"near": 64 / 512, "far": 132 / 512}
OFF = {"source.x": -0.8, "source.y": 0.6, "source.z": 2.0, "mirror.clocking": 8e-3}


def real_train(core: float = 0.1) -> Train:
    """Return a train with figure error, uneven light, chips and dust."""
    rng = np.random.default_rng(4)
    layout = replace(LAYOUT, light=replace(LAYOUT.light, core_diameter=core))
    return Train(
        layout,
        Glow.draw(rng, 0.12),
        {"mirror": FigureError.draw(rng, 15)},
        {"mirror": Blemishes.draw(rng, 15)},
    )


def window(train: Train, plane: str, side: int, split: int = 1) -> PixelMap:
    """Return ``side`` pixels about the middle ray, each split along both sides."""
    poses = place(LAYOUT, OFF)
    ray = train.passage(poses, np.zeros(1), np.zeros(1)).rays
    x, y, _ = to_plane(ray, poses[plane])
    p, q = PITCH[plane], PITCH[plane] / split
    left, top = float(x[0]) - p * side / 2, float(y[0]) + p * side / 2
    return PixelMap(((q, 0.0), (0.0, -q)), (left - (p - q) / 2, top + (p - q) / 2))


@pytest.mark.slow
@pytest.mark.parametrize(("plane", "worst"), [("near", 0.03), ("far", 0.008)])
def test_error_against_a_hundred_times_denser_render(plane: str, worst: float) -> None:
    """Ten times finer along each side: rms within 1e-3 of the peak, flux within 1e-4.

    The worst pixel is one on an edge; a display shows steps of 4e-3.
    """
    train, side, split = real_train(), 280, 10
    poses = place(LAYOUT, OFF)
    shape = side, side
    plain = Renderer(train).image(poses, plane, window(train, plane, side), shape)
    dense = Renderer(train, 321, 800).image(
        poses, plane, window(train, plane, side, split), (side * split, side * split)
    )
    dense = dense.reshape(side, split, side, split).sum(axis=(1, 3))
    error = (plain - dense) / dense.max()
    assert np.sqrt(np.mean(error[dense > 0.02 * dense.max()] ** 2)) < 1e-3
    assert np.abs(error).max() < worst
    assert plain.sum() == pytest.approx(float(dense.sum()), rel=1e-4)


@pytest.mark.parametrize("plane", ["near", "far"])
def test_no_ray_speckle(plane: str) -> None:
    """Inside the beam neighbouring pixels differ by the light's own slope, not by sampling."""
    train = replace(real_train(), blemishes={})
    poses = place(LAYOUT, OFF)
    image = Renderer(train).image(poses, plane, window(train, plane, 280), (280, 280))
    middle = image[110:170, 110:170].astype(float)
    bend = middle[1:-1, 1:-1] - (middle[:-2, 1:-1] + middle[2:, 1:-1]) / 2
    assert np.abs(bend).max() < 2e-3 * middle.max()


def test_folded_light_is_laid_on_the_pixels_without_loss() -> None:
    """Near the focus of a converging beam the other way of drawing keeps every bit of flux."""
    train = replace(real_train(), blemishes={})
    poses = place(LAYOUT, {"source.z": -8.8})
    pixels = PixelMap(((0.26, 0.0), (0.0, -0.26)), (-66.0, 66.0))
    image = Renderer(train).image(poses, "far", pixels, (512, 512))
    plain = Renderer(train).image(poses, "near", pixels, (512, 512))
    assert image.max() > 20 * plain.max()
    assert image.sum() == pytest.approx(float(plain.sum()), rel=2e-4)


def test_both_ways_of_drawing_agree(monkeypatch: pytest.MonkeyPatch) -> None:
    """Where both can be used, laying patches on pixels and carrying pixels back give one picture.

    Compared in blocks of 4 × 4 pixels: a patch is shared among four pixels.
    """
    train = real_train()
    poses = place(LAYOUT, OFF)
    renderer = Renderer(train)
    pixels = window(train, "far", 200)
    plain = renderer.image(poses, "far", pixels, (200, 200))
    monkeypatch.setattr(Renderer, "_invertible", lambda *_: False)
    laid = renderer.image(poses, "far", pixels, (200, 200))
    a, b = (k.reshape(50, 4, 50, 4).sum(axis=(1, 3)) for k in (plain, laid))
    assert np.abs(a - b).max() < 0.02 * a.max()
    assert a.sum() == pytest.approx(float(b.sum()), rel=1e-3)


def test_light_beside_the_sensor_is_dark_and_light_half_on_it_is_cut() -> None:
    """A beam that misses the sensor leaves zeros; one that straddles its edge is the same there."""
    train = real_train()
    poses = place(LAYOUT)
    renderer = Renderer(train)
    whole = renderer.image(poses, "far", PixelMap(((0.25, 0), (0, -0.25)), (-64, 64)), (512, 512))
    half = renderer.image(poses, "far", PixelMap(((0.25, 0), (0, -0.25)), (0, 64)), (512, 512))
    gone = renderer.image(poses, "far", PixelMap(((0.25, 0), (0, -0.25)), (90, 64)), (512, 512))
    assert gone.max() == 0
    assert np.allclose(half[:, :200], whole[:, 256:456], atol=6e-3 * whole.max())
    assert half[:, 0].max() > 0.5 * whole.max()


@pytest.mark.parametrize("make", [disk_kernel, gaussian_kernel])
def test_a_kernel_has_a_disks_moments(make: Any) -> None:
    """Sum 1, and covariance S Sᵀ/4, for small, large and oblong faces, hard or soft."""
    for spread in ([[0.3, 0], [0, 0.3]], [[3.1, 0], [0, 3.1]], [[5.0, 1.0], [0.5, 2.0]]):
        s = np.array(spread)
        kernel = make(s).astype(float)
        row, column = np.indices(kernel.shape) - kernel.shape[0] // 2
        seen = [(kernel * a).sum() for a in (column**2, row**2, row * column)]
        want = s @ s.T / 4
        assert kernel.sum() == pytest.approx(1, abs=1e-6)
        assert seen == pytest.approx([want[0, 0], want[1, 1], want[0, 1]], abs=0.02 * want.max())


def test_blur_keeps_the_flux() -> None:
    """A convolution with sum 1 changes no total while nothing reaches the border."""
    image = np.zeros((60, 70), np.float32)
    image[25:35, 30:40] = 1.0
    seen = blur(image, disk_kernel(np.eye(2) * 4.0))
    assert seen.sum() == pytest.approx(100.0, rel=1e-5)
    assert seen.max() <= 1 + 1e-5


def test_blemishes_shade_what_they_cover() -> None:
    """A chip and a post are dark, a grain of dust is as dark as its opacity, the rest is clear."""
    marks = Blemishes((Blemish(15, 0, 2),), (Blemish(-5, 5, 0.5, 0.8),), Post(3.0, 2.0, np.pi / 2))
    x, y = np.array([14.0, -5.0, 0.0, 0.0]), np.array([0.0, 5.0, 3.5, -8.0])
    assert marks.transmission(x, y, 0.01) == pytest.approx([0, 0.2, 0, 1], abs=1e-6)


def test_figure_slopes_are_the_derivatives_of_the_height() -> None:
    """Central differences agree, and the low orders have the rms that was asked for."""
    figure = FigureError.draw(np.random.default_rng(2), 15.0)
    rng = np.random.default_rng(3)
    x, y = rng.uniform(-10, 10, (2, 200))
    step = 1e-4
    _, sx, sy = figure(x, y)
    assert np.allclose(
        sx, (figure(x + step, y)[0] - figure(x - step, y)[0]) / (2 * step), atol=1e-12
    )
    assert np.allclose(
        sy, (figure(x, y + step)[0] - figure(x, y - step)[0]) / (2 * step), atol=1e-12
    )
    r, angle = 15 * np.sqrt(rng.uniform(size=40_000)), rng.uniform(0, 2 * np.pi, 40_000)
    low = replace(figure, waves=())
    height = low(r * np.cos(angle), r * np.sin(angle))[0]
    assert height.std() == pytest.approx(20e-6, rel=0.03)


@pytest.mark.parametrize("detector", ["near", "far"])
def test_pixels_split_and_added_up_are_the_same_picture(detector: str) -> None:
    """A simulation's picture and its finer one agree in flux, place and shape on every pixel."""
    simulation = simulate(3, pixels=128)
    plain, dense = (simulation.picture(detector, finer).astype(float) for finer in (1, 3))
    assert plain.shape == dense.shape == (128, 128)
    assert plain.sum() == pytest.approx(dense.sum(), rel=1e-3)
    assert np.abs(plain - dense).max() < 0.04 * dense.max()
    rows, columns = np.mgrid[:128, :128]
    for place_of in (rows, columns):
        one, other = ((p * place_of).sum() / p.sum() for p in (plain, dense))
        assert one == pytest.approx(other, abs=0.01)
    with pytest.raises(UnknownNameError, match="far"):
        simulation.picture("fra")


def test_pixels_behind_a_distorting_lens_are_not_split() -> None:
    """A finer picture that would not be of the same pixels is refused."""
    with pytest.raises(UsageError, match="distorting lens"):
        simulate(3, pixels=64, view="lens").picture("near", 2)
