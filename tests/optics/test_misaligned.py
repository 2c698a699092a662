"""Aberrations of a misaligned section: the exact trace against closed forms.

"Derived here" marks relations worked out for this library: they hold the trace against algebra, and
are no outside check. ρ = 100 mm throughout; T = tan b, a = semi-diameter of the beam.
"""

from __future__ import annotations

import math
from typing import Any

import numpy as np
import pytest

from autoalign.optics.layout import Motion
from autoalign.optics.pose import displacement
from autoalign.optics.rays import Rays
from autoalign.optics.trace import reflect

STEP = 1e-40
RHO = 100.0
ANGLES = (5.0, 20.0, 35.0, 60.0, 90.0, 120.0)


def focal_lengths(section: Any, d: float, axis: tuple[float, float, float]) -> tuple[float, float]:
    """Tangential and sagittal focal length of a narrow bundle when the mirror turns by ``d``.

    The mirror's centre stays; collimated light comes down −z. Complex steps give the exact slope
    of the reflected rays with the height of the incoming ones.
    """
    mirror = displacement(Motion("m", "mirror", "turn", axis), d)

    def out(x: complex, y: complex) -> Rays:
        points = np.array([[x, y, 50.0]])
        rays = Rays.from_vectors(points, np.broadcast_to([0.0, 0.0, -1.0], (1, 3)).astype(complex))
        return reflect(rays, section.optic, mirror)

    vergence = []
    for step in ((1j * STEP, 0), (0, 1j * STEP)):
        chief = out(0, 0).directions[0].real
        rays = out(*step)
        point, slope = rays.points[0].imag / STEP, rays.directions[0].imag / STEP
        across = np.array([0, 1, 0]) if step[0] == 0 else np.cross(chief, [0, 1, 0])
        vergence.append(-(point @ across) / (slope @ across))
    return vergence[0], vergence[1]


# α 90°, ρ 100 mm, mirror turned by +1° and −1°: derived here, by the closed form of the next test.
@pytest.mark.parametrize(
    ("degrees", "tangential", "sagittal"),
    [(1, 98.239529, 101.792019), (-1, 101.730010, 98.299410)],
)
def test_coddington_numbers(
    section: Any, degrees: float, tangential: float, sagittal: float
) -> None:
    """Focal lengths of the centre ray when the angle of incidence grows or shrinks by 1°."""
    found = focal_lengths(section(90), math.radians(degrees), (0.0, 1.0, 0.0))
    other = focal_lengths(section(90), -math.radians(degrees), (0.0, 1.0, 0.0))
    match = found if abs(found[0] - tangential) < abs(other[0] - tangential) else other
    assert match == pytest.approx((tangential, sagittal), abs=1e-6)


@pytest.mark.parametrize("alpha", ANGLES)
def test_coddington_for_every_angle(section: Any, alpha: float) -> None:
    """f_t = ρ cos i/cos b, f_s = ρ cos b/cos i, f_t f_s = ρ², f_s − f_t ≈ 2ρ d T.

    Mirror formulae f_t = (R/2) cos i, f_s = R/(2 cos i): A. E. Siegman, Lasers (1986), table 15.1,
    from memory; with the section's own R derived here.
    """
    s, turn = section(alpha), 1e-3
    b = s.optic.incidence
    f_t, f_s = focal_lengths(s, turn, (0.0, 1.0, 0.0))
    d = turn if abs(f_t - RHO * math.cos(b + turn) / math.cos(b)) < 1e-6 else -turn
    assert f_t == pytest.approx(RHO * math.cos(b + d) / math.cos(b), rel=1e-10)
    assert f_s == pytest.approx(RHO * math.cos(b) / math.cos(b + d), rel=1e-10)
    assert f_t * f_s == pytest.approx(RHO**2, rel=1e-10)
    assert f_s - f_t == pytest.approx(2 * RHO * d * s.optic.slope, rel=2e-2)


@pytest.mark.parametrize("alpha", ANGLES)
@pytest.mark.parametrize("direction", ["sideways", "up", "along"])
def test_linear_wavefront_of_a_displaced_source(section: Any, alpha: float, direction: str) -> None:
    """W = −d·n, n = (X, Y, (q − 1) f)/(f (1 + q)), at every aperture (derived here)."""
    s = section(alpha)
    shift = _direction(s, direction)
    u, v, _ = s.grid(0.4 * s.h if alpha < 90 else 20.0)
    x, f = u + s.h, s.f
    q = (x**2 + v**2) / (4 * f**2)
    n = np.stack([x, v, (q - 1) * f], axis=-1) / (f * (1 + q))[:, None]
    assert np.max(np.abs(s.linear_wavefront(u, v, shift) + n @ shift)) < 1e-13


def test_the_linear_wavefront_is_off_by_about_d_over_rho(section: Any) -> None:
    """Relative rms error of the linear form is about |d|/ρ (derived here); it grows linearly."""
    s = section(60)
    u, v, w = s.grid(5.0)
    errors = []
    for t in (0.5, 1.0):
        shift = t * np.array([0.0, 1.0, 0.0])
        exact = s.wavefront(u, v, np.array(s.optic.focus) + shift)
        linear = s.linear_wavefront(u, v, shift)
        errors.append(_rms(u, v, w, exact - linear) / _rms(u, v, w, linear))
    assert 0.3 * 1.0 / RHO < errors[1] < 3 * 1.0 / RHO
    assert errors[1] / errors[0] == pytest.approx(2, rel=0.05)


@pytest.mark.parametrize("alpha", ANGLES[:-1])
def test_expansion_of_the_wavefront(section: Any, alpha: float) -> None:
    """Pointing, focus, astigmatism, coma and trefoil of a source moved by t, s and l.

    Derived here, good to 0.1–0.2 % at a/ρ = 0.05, α 5–90°.
    """
    s, a = section(alpha), 5.0
    u, v, w = s.grid(a)
    slope = s.optic.slope
    tilt, astigmatism = a / RHO, slope * a**2 / (2 * RHO**2)
    coma, trefoil = a**3 / (4 * RHO**3), slope**2 * a**3 / (4 * RHO**3)
    expected = {
        "sideways": {
            "x": -tilt, "astigmatism 0": astigmatism, "coma x": coma, "trefoil x": -trefoil,
        },
        "up": {
            "y": -tilt, "astigmatism 45": astigmatism, "coma y": coma, "trefoil y": -trefoil,
        },
        "along": {"piston": -1.0, "focus": a**2 / (2 * RHO**2), "coma x": -2 * slope * coma},
    }  # fmt: skip
    for direction, values in expected.items():
        found = s.terms(u, v, w, s.linear_wavefront(u, v, _direction(s, direction)), a)
        for name in found.keys() - values.keys() - {"piston"}:
            assert abs(found[name]) < 2e-3 * astigmatism, (direction, name)
        for name, value in values.items():
            assert found[name] == pytest.approx(value, rel=2e-3), (direction, name)


TURNS = ("out of plane", "in-plane tangent", "normal", "chief ray", "parent axis")


@pytest.mark.parametrize("alpha", ANGLES)
@pytest.mark.parametrize("axis", TURNS)
def test_mirror_turned_about_its_centre(section: Any, alpha: float, axis: str) -> None:
    """Pointing, equivalent source shift and astigmatism of the five rotations (derived here)."""
    s, a = section(alpha), 1.0
    b = s.optic.incidence
    cos, sin = math.cos(b), math.sin(b)
    lines = dict(
        zip(
            TURNS,
            [
                (0.0, 1.0, 0.0),
                (cos, 0.0, sin),
                (-sin, 0.0, cos),
                s.optic.chief_ray,
                (0.0, 0.0, 1.0),
            ],
            strict=True,
        )
    )
    # pointing, astigmatism in units T a²/(2ρ), and the source shift t or s that does the same
    pointing, amount, kind = {
        "out of plane": (2.0, 1.0, "sideways"),
        "in-plane tangent": (2 * cos, cos, "up"),
        "normal": (0.0, sin, "up"),
        "chief ray": (math.sin(2 * b), 0.0, "up"),
        "parent axis": (math.sin(2 * b), math.sin(2 * b), "up"),
    }[axis]
    mirror = displacement(Motion("m", "mirror", "turn", lines[axis]), 1j * STEP)
    u, v, w = s.grid(a)
    path = s.exit(s.towards(u + 0j, v + 0j), {"mirror": mirror})[2].imag / STEP
    centre = s.exit(s.towards(np.zeros(1, complex), np.zeros(1, complex)), {"mirror": mirror})
    assert math.hypot(centre[3][0].imag, centre[4][0].imag) / STEP == pytest.approx(
        pointing, abs=1e-12
    )
    found = s.terms(u, v, w, path, a)
    unit = s.optic.slope * a**2 / (2 * RHO)
    name = "astigmatism 0" if kind == "sideways" else "astigmatism 45"
    assert abs(found[name]) / unit == pytest.approx(amount, abs=1e-4)
    # The same aberration as the source shift: once tilts are gone, nothing is left.
    shift = math.copysign(amount * RHO, found[name])
    rest = path - shift * s.linear_wavefront(u, v, _direction(s, kind))
    left = s.terms(u, v, w, rest, a)
    assert max(abs(left[k]) for k in left if k not in ("piston", "x", "y")) < 1e-12


def test_out_of_plane_turn_changes_vergence_on_the_diagonals(section: Any) -> None:
    """Out of plane by d: the vergence on the ±45° axes changes by ±T d/ρ (derived here).

    W = ½ (vergence) r² along the axis, so that the 45° astigmatism is T d a²/(2ρ).
    """
    s, a = section(35), 1.0
    u, v, w = s.grid(a)
    d = 1.0 / RHO  # a source 1 mm up is seen from the mirror's centre under this angle
    found = s.terms(u, v, w, s.linear_wavefront(u, v, np.array([0.0, 1.0, 0.0])), a)
    vergence = 2 * found["astigmatism 45"] / a**2
    assert vergence == pytest.approx(s.optic.slope * d / RHO, rel=1e-3)


def test_two_planes_with_a_displaced_source(section: Any) -> None:
    """d_x = 2a(1 + T t z/ρ²), d_y = 2a(1 − T t z/ρ²).

    ρ 100, α 90°, a 5, t 0.1, z 5000: 10.5085 × 9.5002 mm, ellipticity 0.9041 (formula 0.9048),
    grown by 0.0997 and −0.1000 mrad. The formula is derived here, and the numbers are those of this
    trace over a disk that is even on the mirror: 12 × 24 rays and 60 × 240 agree to 1e-11 mm.
    """
    s, t, z = section(90), 0.1, 5000.0
    u, v, w = s.grid(5.0)
    source = np.array(s.optic.focus) + t * _direction(s, "sideways")
    x, y, _, dx, dy = s.exit(s.towards(u, v, source))
    n = np.sqrt(1 - dx * dx - dy * dy)
    near = _width(x, w), _width(y, w)
    far = _width(x + z * dx / n, w), _width(y + z * dy / n, w)
    growth = s.optic.slope * t * z / RHO**2
    assert far == pytest.approx((10 * (1 + growth), 10 * (1 - growth)), rel=1e-3)
    assert far == pytest.approx((10.50845, 9.50023), abs=1e-5)
    assert far[1] / far[0] == pytest.approx(0.90406, abs=1e-5)
    assert [(b - a) / z for a, b in zip(near, far, strict=True)] == pytest.approx(
        [9.9693e-5, -9.9954e-5], abs=1e-9
    )


@pytest.mark.parametrize("alpha", ANGLES)
@pytest.mark.parametrize("t", [-30.0, -5.0, 5.0, 30.0])
def test_any_displacement_of_a_narrow_bundle(section: Any, alpha: float, t: float) -> None:
    """V_t and V_s for any t, and pointing exactly atan(t/ρ): derived here."""
    s = section(alpha)
    b, angle = s.optic.incidence, math.atan(t / RHO)
    source = np.array(s.optic.focus) + t * _direction(s, "sideways")
    steps = (1j * STEP, 0), (0, 1j * STEP)
    vergence = []
    for k, (du, dv) in enumerate(steps):
        x, y, _, dx, dy = s.exit(s.towards(np.array([du + 0j]), np.array([dv + 0j]), source))
        n = np.sqrt(1 - dx * dx - dy * dy)
        # In plane, distances across the beam are foreshortened by its slope.
        if k == 0:
            height = x.imag[0] * n.real[0]
            vergence.append(-(dx.imag[0] / n.real[0]) / height)
        else:
            vergence.append(-dy.imag[0] / y.imag[0])
    assert math.asin(-float(dx.real[0])) == pytest.approx(angle, abs=1e-14)
    far = 1 / math.hypot(RHO, t)
    assert vergence[0] == pytest.approx(
        math.cos(b) / math.cos(b - angle) / RHO - far, abs=2e-5 / RHO
    )
    assert vergence[1] == pytest.approx(
        math.cos(b - angle) / math.cos(b) / RHO - far, abs=2e-5 / RHO
    )


# ρ 100, α 90°, a 5, t 0.1 mm, in plane and out of plane, µm: derived here, by the expansion above.
@pytest.mark.parametrize(
    ("direction", "axis", "astigmatism", "coma", "trefoil", "rms"),
    [
        ("sideways", "0", 0.12476, 0.003136, 0.003114, 0.05083),
        ("up", "45", 0.12488, 0.003131, 0.003120, 0.05102),
    ],
)
def test_worked_example(
    section: Any,
    direction: str,
    axis: str,
    astigmatism: float,
    coma: float,
    trefoil: float,
    rms: float,
) -> None:
    """Astigmatism, coma, trefoil and rms of the exact trace; 0.0807 wave, Strehl 0.774."""
    s, a = section(90), 5.0
    u, v, w = s.grid(a)
    path = s.wavefront(u, v, np.array(s.optic.focus) + 0.1 * _direction(s, direction))
    found = s.terms(u, v, w, path, a)
    along = "x" if direction == "sideways" else "y"
    assert found[f"astigmatism {axis}"] == pytest.approx(astigmatism * 1e-3, rel=5e-4)
    assert abs(found[f"coma {along}"]) == pytest.approx(coma * 1e-3, rel=5e-3)
    assert abs(found[f"trefoil {along}"]) == pytest.approx(trefoil * 1e-3, rel=5e-3)
    sigma = _rms(u, v, w, path)
    assert sigma == pytest.approx(rms * 1e-3, rel=3e-3)
    assert sigma == pytest.approx(0.05104e-3, rel=3e-3)  # the short formulas
    assert sigma / 632.8e-6 == pytest.approx(0.0807, rel=4e-3)
    assert math.exp(-((2 * math.pi * sigma / 632.8e-6) ** 2)) == pytest.approx(0.774, abs=1e-3)


@pytest.mark.parametrize("direction", ["sideways", "up"])
def test_pointing_of_the_worked_example(section: Any, direction: str) -> None:
    """0.1 mm at ρ = 100 mm turns the chief ray by atan(10⁻³), 1.000 mrad."""
    s, zero = section(90), np.zeros(1)
    source = np.array(s.optic.focus) + 0.1 * _direction(s, direction)
    _, _, _, dx, dy = s.exit(s.towards(zero, zero, source))
    assert math.asin(math.hypot(dx[0], dy[0])) == pytest.approx(math.atan(1e-3), abs=1e-14)


@pytest.mark.parametrize(("alpha", "excess"), [(11.0, 0.01), (35.0, 0.10), (90.0, 1.0)])
def test_where_the_parents_third_order_form_stops(
    section: Any, alpha: float, excess: float
) -> None:
    """A = h a² θ/(4f²), θ = t/ρ, is too large by 1/cos²b: 1 %, 10 % and a factor 2.

    Derived here.
    """
    s, a = section(alpha), 5.0
    u, v, w = s.grid(a)
    exact = s.terms(u, v, w, s.linear_wavefront(u, v, _direction(s, "sideways")), a)
    short = s.h * a**2 / (4 * s.f**2) / RHO
    ratio = short / exact["astigmatism 0"]
    assert ratio == pytest.approx(1 / math.cos(s.optic.incidence) ** 2, rel=2e-3)
    assert ratio - 1 == pytest.approx(excess, rel=0.1)


@pytest.mark.parametrize("alpha", [20.0, 60.0, 90.0])
def test_how_far_the_linear_form_carries(section: Any, alpha: float) -> None:
    """In plane, the astigmatism of the expansion is off by (t/ρ)/sin α (derived here)."""
    s, a = section(alpha), 2.0
    u, v, w = s.grid(a)
    errors = []
    for t in (0.5, -0.5):
        path = s.wavefront(u, v, np.array(s.optic.focus) + t * _direction(s, "sideways"))
        short = s.optic.slope * a**2 * t / (2 * RHO**2)
        errors.append(s.terms(u, v, w, path, a)["astigmatism 0"] / short - 1)
    expected = 0.5 / RHO / math.sin(math.radians(alpha))
    assert abs(errors[0] - errors[1]) / 2 == pytest.approx(expected, rel=0.05)
    assert abs(errors[0] + errors[1]) / 2 < 0.1 * expected + 1e-3


@pytest.mark.parametrize("alpha", [15.0, 35.0, 60.0, 90.0, 120.0])
@pytest.mark.parametrize("a", [2.0, 5.0, 10.0])
def test_leading_astigmatism_is_most_of_the_wavefront(section: Any, alpha: float, a: float) -> None:
    """A/√6 alone gives the rms to 1 % for a/ρ ≤ 0.1 and α ≥ 15° (derived here)."""
    s = section(alpha)
    u, v, w = s.grid(a)
    rms = _rms(u, v, w, s.linear_wavefront(u, v, _direction(s, "up")))
    assert rms == pytest.approx(s.optic.slope * a**2 / (2 * RHO**2) / math.sqrt(6), rel=0.01)


def _direction(section: Any, name: str) -> np.ndarray:
    vectors = {
        "sideways": section.optic.sideways,
        "up": (0.0, 1.0, 0.0),
        "along": section.optic.chief_ray,
    }
    return np.array(vectors[name])


def _width(x: np.ndarray, w: np.ndarray) -> float:
    return 4 * math.sqrt(w @ (x - w @ x) ** 2)


def _rms(u: np.ndarray, v: np.ndarray, w: np.ndarray, path: np.ndarray) -> float:
    """Rms of a wavefront without piston and tilt."""
    weight = np.sqrt(w)
    basis = np.stack([np.ones_like(u), u, v], axis=-1)
    found = np.linalg.lstsq(basis * weight[:, None], path * weight, rcond=None)[0]
    return float(math.sqrt(w @ (path - basis @ found) ** 2))
