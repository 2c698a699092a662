"""Diffraction images against Airy's pattern, exact Strehl ratios and beam standards."""

from __future__ import annotations

import math
from collections.abc import Callable

import numpy as np
import pytest
from scipy.special import eval_genlaguerre, j0, j1

from autoalign.core.errors import UsageError
from autoalign.optics.diffraction import (
    encircled_energy,
    fft_image,
    needs_diffraction,
    strehl,
    with_source,
    zoom_image,
)
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import Array, place
from autoalign.optics.pupil import Pupil, make_pupil
from autoalign.optics.rays import Rays
from autoalign.optics.sources import bundle, cone, disk_grid, face_points
from autoalign.optics.standard_layouts import collimator_layout, focuser_layout
from autoalign.optics.trace import trace_to_planes

LAMBDA = 500e-6
N = 10.0
UNIT = LAMBDA * N


def circular(path: Callable[[Array, Array], Array], samples: int = 256) -> Pupil:
    """An ideal f/10 pupil, 10 mm across; ``path`` of (x, y) in units of the radius, waves."""
    step = 10.4 / samples
    axis = (np.arange(samples) - samples // 2) * step / 5
    y, x = np.meshgrid(axis, axis, indexing="ij")
    fine = (np.arange(8) - 3.5) / 8 * step / 5
    inside = np.zeros_like(x)
    for dx in fine:
        for dy in fine:
            inside += (x + dx) ** 2 + (y + dy) ** 2 <= 1
    wave = np.where(inside > 0, path(x, y) * LAMBDA, 0.0)
    return Pupil(step, wave, np.ones_like(x), inside / 64, LAMBDA, 10 * N)


def flat(x: Array, y: Array) -> Array:
    """No aberration."""
    return np.zeros_like(x + y)


# Units λN: zeros of J1 and EE = 1 − J0² − J1² there (Rayleigh, 1881; M. Born and E. Wolf,
# Principles of Optics, 7th ed., section 8.5.2 and its table; from memory and worked out again).
ZEROS = (1.219670, 2.233131, 3.238315)
ENERGY = (0.837785, 0.909931, 0.937647)


@pytest.mark.slow
def test_airy_zeros_and_encircled_energy() -> None:
    """First three dark rings and the energy within them, to 1e-4."""
    image = zoom_image(circular(flat, 512), 5 * UNIT, 400)
    assert encircled_energy(image, np.array(ZEROS) * UNIT, (0, 0)) == pytest.approx(
        ENERGY, abs=1e-4
    )
    line = image.values[200, 200:] / image.peak
    r = image.x[200:] / UNIT
    airy = (2 * j1(np.pi * r[1:]) / (np.pi * r[1:])) ** 2
    assert np.max(np.abs(line[1:] - airy)) < 1e-4
    for zero in ZEROS:
        near = np.abs(r - zero) < 0.1
        parabola = np.polynomial.Polynomial.fit(r[near], line[near], 2)
        assert parabola.deriv().roots()[0] == pytest.approx(zero, abs=1e-2)


@pytest.mark.slow
@pytest.mark.parametrize(("radius", "energy"), [(0.53483, 0.5), (0.89694, 0.8), (1.90069, 0.9)])
def test_energy_radii(radius: float, energy: float) -> None:
    """50, 80 and 90 % of the energy of an Airy pattern, by the same formula, worked out."""
    image = zoom_image(circular(flat, 512), 2.5 * UNIT, 600)
    assert encircled_energy(image, radius * UNIT, (0, 0))[0] == pytest.approx(energy, abs=3e-5)
    assert 1 - j0(np.pi * radius) ** 2 - j1(np.pi * radius) ** 2 == pytest.approx(energy, abs=1e-5)


def test_airy_width() -> None:
    """Full width at half maximum 1.02899 λN: (2J1(v)/v)² = ½ at v = 1.61634, worked out."""
    image = zoom_image(circular(flat), UNIT, 400)
    line = image.values[200] / image.peak
    right = np.interp(0.5, line[200:][::-1], image.x[200:][::-1])
    assert 2 * right / UNIT == pytest.approx(1.02899, abs=2e-4)


# Exact Strehl ratios, a quarter wave each: V. N. Mahajan, J. Opt. Soc. Am. 72, 1258 (1982), from
# memory, and worked out again. Unbalanced spherical is C(1)² + S(1)² of Fresnel's integrals.
@pytest.mark.slow
@pytest.mark.parametrize(
    ("path", "expected"),
    [
        (lambda x, y: (x * x + y * y) / 4, 0.8106),
        (lambda x, y: x * (x * x + y * y - 2 / 3) / 4, 0.9663),
        (lambda x, y: (x * x - y * y) / 8, 0.9021),
        (lambda x, y: (x * x + y * y) ** 2 / 4, 0.80030),
    ],
    ids=["defocus", "balanced coma", "astigmatism", "unbalanced spherical"],
)
def test_exact_strehl_ratios(path: Callable[[Array, Array], Array], expected: float) -> None:
    """On axis, with the wavefront as it is; the image's peak says the same where it is there."""
    pupil = circular(path, 512)
    assert strehl(pupil, 1) == pytest.approx(expected, abs=1e-4)
    ideal = zoom_image(circular(flat, 512), 0.5 * UNIT, 65)
    found = zoom_image(pupil, 0.5 * UNIT, 65)
    assert found.values[32, 32] / ideal.values[32, 32] == pytest.approx(expected, abs=1e-4)


@pytest.mark.parametrize("rms", [0.02, 0.04, 0.06])
def test_strehl_of_small_wavefront_errors(rms: float) -> None:
    """exp(−σ²) and Maréchal's (1 − σ²/2)² hold to their own accuracy, a part of σ⁴.

    V. N. Mahajan, J. Opt. Soc. Am. 72, 1258 (1982); M. Born and E. Wolf, Principles of Optics, 7th
    ed., section 9.3; both from memory.
    """
    pupil = circular(lambda x, y: rms * math.sqrt(6) * 2 * x * y)
    sigma = 2 * math.pi * rms
    assert pupil.wavefront().analyse(15).rms / LAMBDA == pytest.approx(rms, rel=1e-3)
    assert strehl(pupil) == pytest.approx(math.exp(-(sigma**2)), abs=0.2 * sigma**4)
    assert strehl(pupil) == pytest.approx((1 - sigma**2 / 2) ** 2, abs=0.25 * sigma**4)


def beam_quality(
    field: Callable[[Array, Array], Array],
    path: Callable[[Array, Array], Array],
    edge: float = 20.0,
) -> tuple[float, float]:
    """M² along x and y of a field of (x, y) in mm: 4π/λ times the rms size and the rms angle."""
    step = 0.08
    axis = (np.arange(256) - 128) * step
    y, x = np.meshgrid(axis, axis, indexing="ij")
    inside = np.hypot(x, y) < edge
    wave = np.where(inside, path(x, y), 0.0)
    pupil = Pupil(step, wave, field(x, y), inside.astype(float), LAMBDA)
    far = fft_image(pupil, 2)
    found = []
    for k in (0, 1):
        near = (pupil.amplitude**2).sum(axis=k)
        spread = far.values.sum(axis=k)
        p, q = near / near.sum(), spread / spread.sum()
        size = p @ axis**2 - (p @ axis) ** 2
        angle = q @ far.x**2 - (q @ far.x) ** 2
        found.append(4 * math.pi / LAMBDA * math.sqrt(size * angle))
    return found[0], found[1]


@pytest.mark.slow
@pytest.mark.parametrize(("m", "n"), [(0, 0), (1, 0), (2, 1)])
def test_beam_quality_of_hermite_gaussian_modes(m: int, n: int) -> None:
    """M² = 2m + 1 and 2n + 1: near and far field go together.

    W. H. Carter, Appl. Opt. 19, 1027 (1980), from memory.
    """
    w = 2.0

    def mode(x: Array, y: Array) -> Array:
        h = [np.polynomial.hermite.Hermite.basis(k) for k in (m, n)]
        scale = math.sqrt(2) / w
        return h[0](scale * x) * h[1](scale * y) * np.exp(-(x * x + y * y) / w**2)

    found = beam_quality(mode, flat)
    assert found == pytest.approx((2 * m + 1, 2 * n + 1), rel=1e-4)


@pytest.mark.slow
@pytest.mark.parametrize(("p", "order"), [(0, 1), (1, 0), (0, 2), (1, 1)])
def test_beam_quality_of_laguerre_gaussian_modes(p: int, order: int) -> None:
    """M² = 2p + |l| + 1 along both axes; the helix is a phase l φ.

    R. L. Phillips and L. C. Andrews, Appl. Opt. 22, 643 (1983), from memory.
    """
    w = 2.0

    def mode(x: Array, y: Array) -> Array:
        s = 2 * (x * x + y * y) / w**2
        return np.asarray(s ** (order / 2) * eval_genlaguerre(p, order, s) * np.exp(-s / 2))

    def helix(x: Array, y: Array) -> Array:
        return np.asarray(order * np.arctan2(y, x) / (2 * np.pi) * LAMBDA)

    step = 0.08
    axis = (np.arange(256) - 128 + 0.5) * step  # the vortex lies between samples
    y, x = np.meshgrid(axis, axis, indexing="ij")
    far = np.fft.fftshift(np.fft.fft2(mode(x, y) * np.exp(2j * np.pi * helix(x, y) / LAMBDA)))
    angle = np.fft.fftshift(np.fft.fftfreq(256, step)) * LAMBDA
    for k in (0, 1):
        near, spread = (mode(x, y) ** 2).sum(axis=k), (np.abs(far) ** 2).sum(axis=k)
        size, width = near @ axis**2 / near.sum(), spread @ angle**2 / spread.sum()
        found = 4 * math.pi / LAMBDA * math.sqrt(size * width)
        assert found == pytest.approx(2 * p + order + 1, rel=1e-3)


@pytest.mark.slow
def test_beam_quality_of_a_gaussian_with_coma() -> None:
    """W = C x r²: M_x² = √(1 + 320π²C²σ⁶/λ²), M_y² = √(1 + 64π²C²σ⁶/λ²).

    Derived here: 4π/λ times the rms size and the rms of ∇W and diffraction in quadrature.
    """
    sigma, c = 1.0, 2e-5

    def gauss(x: Array, y: Array) -> Array:
        return np.exp(-(x * x + y * y) / (4 * sigma**2))

    found = beam_quality(gauss, lambda x, y: c * x * (x * x + y * y), 6.5)
    k = math.pi * c * sigma**3 / LAMBDA
    assert found == pytest.approx((math.sqrt(1 + 320 * k**2), math.sqrt(1 + 64 * k**2)), rel=2e-3)


# n and M² of a flat-phase super-Gaussian, n √Γ(2/n)/Γ(1/n): derived here from ⟨r²⟩ and ⟨|∇E|²⟩.
@pytest.mark.slow
@pytest.mark.parametrize(("n", "expected"), [(2, 1.128379), (3, 1.303127)])
def test_beam_quality_of_super_gaussians(n: int, expected: float) -> None:
    """The flatter the top, the worse the beam quality."""
    found = beam_quality(lambda x, y: np.exp(-(((x * x + y * y) / 16) ** n)), flat)
    assert found == pytest.approx((expected, expected), rel=2e-3)


def test_beam_quality_of_a_multimode_source() -> None:
    """Disk of diameter d and uniform cone: π d NA/(2λ); 50 µm, 0.2, 1 µm: 15.71.

    Derived here from M² = π d_σ Θ_σ/(4λ) (ISO 11146-1, from memory) with d_σ = d and Θ_σ = 2 NA.
    """
    layout = collimator_layout(OffAxisParaboloid(100, 60, 25.4), 0.05, 0.2, 1e-3)
    x, _, w = face_points(layout.light)  # type: ignore[arg-type]
    u, _, share = disk_grid(8, 16)
    size, angle = math.sqrt(w @ x**2), 0.2 * math.sqrt(share @ u**2)
    assert 4 * math.pi / 1e-3 * size * angle == pytest.approx(15.71, abs=5e-3)


def test_depth_of_focus() -> None:
    """A shift of 2λN² is a quarter wave at the edge.

    M. Born and E. Wolf, Principles of Optics, 7th ed., section 8.8.2, from memory.
    """
    shifted = circular(flat).defocused(2 * LAMBDA * N**2)
    edge = np.ptp(shifted.path[shifted.coverage == 1]) / LAMBDA
    assert edge == pytest.approx(0.25, rel=0.03)
    assert strehl(shifted, 1) == pytest.approx(0.8106, abs=2e-3)
    assert shifted.best_focus() == pytest.approx(-2 * LAMBDA * N**2, rel=1e-5)


def test_fft_and_zoom_agree_and_keep_the_power() -> None:
    """Both transforms give the same image at the same points; the power in it is 1."""
    pupil = circular(lambda x, y: 0.2 * x * (x * x + y * y), 128)
    fast = fft_image(pupil, 4)
    count = 64
    zoomed = zoom_image(pupil, fast.step * count / 2, count)
    middle = fast.values.shape[0] // 2
    cut = slice(middle - count // 2, middle + count // 2)
    assert np.allclose(fast.values[cut, cut], zoomed.values, rtol=1e-9, atol=1e-9 * fast.peak)
    assert fast.captured == pytest.approx(1, abs=2e-2)


def test_a_tilt_moves_the_image_by_distance_times_angle() -> None:
    """W = θx sends the image to +θR, as rays go along ∇W."""
    theta = 2e-5
    pupil = circular(lambda x, y: theta * 5 * x / LAMBDA + 0 * y)
    image = zoom_image(pupil, 4 * UNIT, 200, (theta * 100, 0))
    row, column = np.unravel_index(np.argmax(image.values), image.values.shape)
    assert image.x[column] == pytest.approx(theta * 100, abs=image.step)
    assert image.y[row] == pytest.approx(0, abs=image.step)


def test_a_finite_source_convolves_and_keeps_power_and_variance() -> None:
    """Convolved with a disk, second moments add: d²/16 more, and no power is lost."""
    gauss = circular(flat)
    y, x = np.meshgrid(gauss.axis, gauss.axis, indexing="ij")
    soft = Pupil(
        gauss.step, gauss.path, np.exp(-(x * x + y * y) / 4), gauss.coverage, LAMBDA, 100.0
    )
    image = zoom_image(soft, 30 * UNIT, 512)
    wide = with_source(image, 12 * UNIT, np.array([[1.0, 0.0], [0.0, 0.5]]))
    assert wide.values.sum() == pytest.approx(image.values.sum(), rel=1e-9)

    def variance(values: Array, axis: int) -> float:
        p = values.sum(axis=axis) / values.sum()
        return float(p @ image.x**2 - (p @ image.x) ** 2)

    added = variance(wide.values, 0) - variance(image.values, 0)
    assert added == pytest.approx((12 * UNIT) ** 2 / 16, rel=1e-3)
    added = variance(wide.values, 1) - variance(image.values, 1)
    assert added == pytest.approx((6 * UNIT) ** 2 / 16, rel=1e-3)


@pytest.mark.slow
@pytest.mark.parametrize("axis", ["steering.tip", "steering.tilt", "mirror.clocking"])
def test_geometric_and_diffraction_images_agree_when_blurred(axis: str) -> None:
    """Far from focus, second moments of the wave image are those of the rays, to 1 %.

    A Gaussian beam, so that second moments of the diffraction image exist.
    """
    layout = focuser_layout(OffAxisParaboloid(100, 35, 40), 6, 660e-6)
    poses = place(layout, {axis: 4e-3, "mirror.z": 0.6})
    pupil = make_pupil(layout, poses, 320, "focus")
    planes, out = trace_to_planes(layout, poses, bundle(layout.light), clip=False)  # type: ignore[arg-type]
    x, y, _ = planes["focus"]
    w = out.power / out.power.sum()
    cx, cy = w @ x, w @ y
    width = 4 * math.sqrt(w @ (x - cx) ** 2), 4 * math.sqrt(w @ (y - cy) ** 2)
    image = zoom_image(pupil, 0.1, 400, (cx - pupil.image_centre[0], cy - pupil.image_centre[1]))
    total = image.values.sum()
    mx, my = image.centroid
    found = (
        4 * math.sqrt(image.values.sum(axis=0) @ (image.x - mx) ** 2 / total),
        4 * math.sqrt(image.values.sum(axis=1) @ (image.y - my) ** 2 / total),
    )
    waist = 4 * 660e-6 * 100 / (math.pi * 6)
    expected = [math.hypot(k, waist) for k in width]
    assert found == pytest.approx(expected, rel=0.01)


def test_best_focus_is_where_the_rays_meet() -> None:
    """The focus of least variance lies where the mirror was moved to."""
    layout = focuser_layout(OffAxisParaboloid(100, 35, 25.4), 8, 660e-6, profile="uniform")
    pupil = make_pupil(layout, place(layout, {"mirror.z": 0.05}), 96, "focus")
    assert pupil.best_focus() == pytest.approx(0.05, abs=1e-8)
    assert strehl(pupil.defocused(pupil.best_focus())) == pytest.approx(1, abs=1e-9)


def test_pupil_of_the_worked_example() -> None:
    """ρ 100, α 90°, a 5, source 0.1 mm aside: rms 0.0807 wave at 632.8 nm, Strehl 0.774.

    Derived here; exp(−σ²), and the exact ratio is close to it.
    """
    layout = collimator_layout(OffAxisParaboloid(100, 90, 10), 0.0, 0.9, 632.8e-6)
    pupil = make_pupil(layout, place(layout, {"source.x": 0.1}), 128)
    found = pupil.wavefront().analyse(15)
    assert found.rms / 632.8e-6 == pytest.approx(0.0807, rel=4e-3)
    assert found[6] == pytest.approx(0.12476e-3 / math.sqrt(6), rel=4e-3)
    assert math.exp(-((2 * math.pi * found.rms / 632.8e-6) ** 2)) == pytest.approx(0.774, abs=1e-3)
    assert strehl(pupil) == pytest.approx(0.774, abs=3e-3)


@pytest.mark.slow
def test_fibre_collimation() -> None:
    """660 nm, f 12 mm, NA 0.08 to 1/e² give D = 2 f NA = 1.92 mm and 2λ/(πD) = 0.22 mrad.

    Half-angle of a Gaussian beam of waist D/2: B. E. A. Saleh and M. C. Teich, Fundamentals of
    Photonics, 2nd ed., section 3.1, from memory.
    """
    optic = OffAxisParaboloid(12, 30, 8)
    layout = collimator_layout(optic, 0.0, 0.08, 660e-6, emission="gaussian")
    pupil = make_pupil(layout, place(layout), 192)
    p = (pupil.amplitude**2 * pupil.coverage).sum(axis=0)
    x = pupil.axis
    mean = p @ x / p.sum()
    width = 4 * math.sqrt(p @ (x - mean) ** 2 / p.sum())
    assert width == pytest.approx(1.92, rel=0.01)
    far = zoom_image(pupil, 1e-3, 201)
    line = far.values[100, 100:] / far.values[100, 100]
    half = np.interp(math.exp(-2), line[:60][::-1], far.x[100:160][::-1])
    assert half == pytest.approx(2 * 660e-6 / (math.pi * 1.92), rel=0.01)
    assert half == pytest.approx(0.22e-3, abs=0.003e-3)


@pytest.mark.parametrize(("rho", "mrad"), [(100.0, 0.5), (200.0, 0.25)])
def test_divergence_of_an_extended_source(rho: float, mrad: float) -> None:
    """50 µm core: full angle d/ρ in both planes; d² = D² + (Θz)².

    Θ = d/f backwards through a focusing element, and the hyperbola: ISO 11146-1, from memory. Every
    point's cone leaves parallel to the source's axis, so that z counts from the back focal plane, ρ
    behind the mirror, where all of them cross.
    """
    layout = collimator_layout(OffAxisParaboloid(rho, 60, 25.4), 0.05, 0.02, 660e-6)
    poses = place(layout)
    x0, y0, w0 = face_points(layout.light)  # type: ignore[arg-type]
    sums = {name: np.zeros(5) for name in ("near", "far")}
    for px, py, weight in zip(x0, y0, w0, strict=True):
        rays = cone(layout.light, 8, 16, point=(px, py))  # type: ignore[arg-type]
        planes, out = trace_to_planes(layout, poses, rays, clip=False)
        w = out.power * weight
        for name, (x, y, _) in planes.items():
            sums[name] += [w.sum(), w @ x, w @ y, w @ x**2, w @ y**2]
    for k in (0, 1):
        near, far = (
            16 * (s[3 + k] / s[0] - (s[1 + k] / s[0]) ** 2) for s in (sums["near"], sums["far"])
        )
        theta = math.sqrt((far - near) / ((2400 - rho) ** 2 - (400 - rho) ** 2))
        assert theta * 1e3 == pytest.approx(mrad, rel=1e-3)


@pytest.mark.parametrize("alpha", [30.0, 60.0])
def test_a_face_square_to_the_parent_axis_is_foreshortened(alpha: float) -> None:
    """Its divergence in the plane of incidence is smaller by cos α (derived here)."""
    layout = collimator_layout(OffAxisParaboloid(100, alpha, 25.4), 0.05, 0.02, 660e-6)
    cos, sin = math.cos(math.radians(alpha)), math.sin(math.radians(alpha))
    edge = np.array([-0.025, 0.025])
    zero, one = np.zeros(2), np.ones(2)
    # The face is turned about y, so that its points keep the chief ray's direction.
    rays = Rays(edge * cos, zero, edge * sin, zero, zero, one, zero)
    _, out = trace_to_planes(layout, place(layout), rays)
    angle = abs(math.asin(out.l[1]) - math.asin(out.l[0]))
    assert angle == pytest.approx(0.05 * cos / 100, rel=1e-3)


def test_undersampled_wavefronts_and_windows_are_refused() -> None:
    """Too steep a phase, too wide a window, too little padding, too large a source: all named."""
    steep = circular(lambda x, y: 200 * x + 0 * y, 64)
    with pytest.raises(UsageError, match="more samples"):
        fft_image(steep)
    good = circular(flat, 64)
    with pytest.raises(UsageError, match="repeats"):
        zoom_image(good, 40 * UNIT)
    with pytest.raises(UsageError, match="at least 2"):
        fft_image(good, 1)
    with pytest.raises(UsageError, match="wraps around"):
        with_source(zoom_image(good, 5 * UNIT, 64), 8 * UNIT)


def test_no_light_is_named() -> None:
    """A beam that misses the mirror altogether has no pupil."""
    layout = collimator_layout(OffAxisParaboloid(100, 60, 5), 0.0, 0.02, 660e-6)
    with pytest.raises(UsageError, match="no light gets through"):
        make_pupil(layout, place(layout, {"source.y": 20.0}), 32)


def test_rule_for_the_kind_of_image() -> None:
    """Rays alone from 10 λN on, and there the quadrature error is under 1 % (derived here)."""
    assert needs_diffraction(9 * UNIT, LAMBDA, N)
    assert not needs_diffraction(11 * UNIT, LAMBDA, N)
    assert math.hypot(10, 1.3) / 10 - 1 < 0.01
