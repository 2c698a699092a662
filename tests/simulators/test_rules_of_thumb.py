"""What a person at the bench knows from experience, reproduced by the simulated one."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.collimator import simulate
from autoalign_simulators.simulation import BenchSimulation

from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.standard_layouts import collimator_layout

INCH = 25.4


def bench(hidden: dict[str, float], core: float = 0.05) -> BenchSimulation:
    """Return an ideal bench: four inches of focal length, one inch of aperture, overfilled."""
    optic = OffAxisParaboloid(4 * INCH, 35.0, INCH)
    layout = collimator_layout(optic, core, 0.3, 660e-6, emission="uniform")
    return simulate(
        0, ideal=True, hidden=hidden, layout=layout, fields={"near": 50.0, "far": 130.0}
    )


def edges(simulation: BenchSimulation, plane: str) -> tuple[float, float]:
    """Return the widths of the picture along x and y at half of its middle level, mm."""
    camera = simulation.detectors[plane]
    image = camera.rate(0.0)
    row, column = np.indices(image.shape)
    r, c = (int((image * k).sum() / image.sum()) for k in (row, column))
    level = image[r - 5 : r + 6, c - 5 : c + 6].mean() / 2
    lines = image[r - 2 : r + 3].mean(axis=0), image[:, c - 2 : c + 3].mean(axis=1)
    widths = []
    for line in lines:
        inside = np.flatnonzero(line > level)
        a, b = inside[0], inside[-1]
        low = a - (line[a] - level) / (line[a] - line[a - 1])
        high = b + (line[b] - level) / (line[b] - line[b + 1])
        widths.append((high - low) * camera.traits.pitch)
    return widths[0], widths[1]


@pytest.mark.common_practice
def test_an_overfilled_aperture_gives_a_beam_of_its_own_size_near_and_far() -> None:
    """25.4 mm of aperture: a beam 25.4 mm across on both screens when aligned."""
    aligned = bench({})
    for plane in ("near", "far"):
        assert edges(aligned, plane) == pytest.approx((INCH, INCH), abs=0.25)


@pytest.mark.common_practice
def test_the_source_sits_four_holes_away() -> None:
    """101.6 mm of reflected focal length on holes 25.4 mm apart: four holes."""
    layout = bench({}).plan.layout
    away = np.linalg.norm(np.subtract(layout.light.position, layout.elements[0].position))
    assert away / INCH == pytest.approx(4.0, abs=1e-9)


@pytest.mark.common_practice
def test_too_close_is_large_and_too_far_is_small() -> None:
    """A source too close gives a large spot on the far screen, one too far away a small one."""
    close, far = (edges(bench({"source.z": z}), "far") for z in (1.0, -1.0))
    assert min(close) > INCH + 3
    assert max(far) < INCH - 3


@pytest.mark.common_practice
def test_sideways_is_oblong_one_way_or_the_other() -> None:
    """The far spot is oblong one way or the other with the side, and round in between."""
    one, other, middle = (edges(bench({"source.x": x}), "far") for x in (-1.0, 1.0, 0.0))
    ratio = [w[0] / w[1] for w in (one, middle, other)]
    assert ratio[1] == pytest.approx(1.0, abs=0.01)
    assert sorted(ratio) in (ratio, ratio[::-1])
    assert max(ratio) > 1.1
    assert min(ratio) < 0.91


@pytest.mark.common_practice
def test_wrong_clocking_changes_the_height_of_the_spot_between_the_screens() -> None:
    """A small roll of the mirror lifts or lowers the far spot against the near one."""
    heights = []
    for roll in (-5e-3, 0.0, 5e-3):
        moments = bench({"mirror.clocking": roll}).truth.moments()
        heights.append(moments["far"][1] - moments["near"][1])
    assert abs(heights[1]) < 1e-3
    assert heights[0] * heights[2] < 0
    # Derived here: turned about the parent axis by w, an aligned section turns the beam by w sin α.
    assert abs(heights[2]) == pytest.approx(5e-3 * np.sin(np.radians(35)) * 2000, rel=0.02)


@pytest.mark.common_practice
def test_a_large_wrong_clocking_makes_a_teardrop() -> None:
    """Far off, the spot has a blunt and a pointed end: its third moments grow."""

    def tail(roll: float) -> float:
        """Largest skewness of the far spot along any direction."""
        xx, yy, xy, *third = bench({"mirror.clocking": roll}).truth.moments()["far"][2:]
        angle = np.linspace(0, np.pi, 181)
        c, s = np.cos(angle), np.sin(angle)
        width = np.sqrt(c * c * xx + 2 * c * s * xy + s * s * yy)
        cubes = [c**3, 3 * c * c * s, 3 * c * s * s, s**3]
        return float(np.abs(sum(k * m for k, m in zip(cubes, third, strict=True)) / width**3).max())

    assert tail(0.0) < 0.05
    assert tail(5e-3) < 0.05
    assert tail(0.1) > 0.2
    assert tail(0.2) > 1.0


@pytest.mark.slow
@pytest.mark.common_practice
def test_moving_source_and_mirror_leaves_combinations_that_change_nothing() -> None:
    """Six axes, but the beam feels fewer: the response has small singular values.

    Pointing (2), divergence and its astigmatism (3): at most five quantities. The stretch says
    what the astigmatism says, so that nothing sees the sixth combination.
    """
    truth = bench({}).truth
    names = ("pointing_x", "pointing_y", "divergence_xx", "divergence_yy", "divergence_xy")
    tolerance = np.array([1e-4, 1e-4, 2e-4, 2e-4, 2e-4])
    steps = {
        "source.x": 0.01, "source.y": 0.01, "source.z": 0.01,
        "mirror.tip": 1e-4, "mirror.tilt": 1e-4, "mirror.clocking": 1e-4,
    }  # fmt: skip
    typical = {"mm": 1.0, "rad": 4e-3}
    columns = []
    for axis, step in steps.items():
        up, down = (truth.parameters({axis: s * step}).pick(names)[0] for s in (1, -1))
        unit = "mm" if axis.startswith("source") else "rad"
        columns.append((up - down) / (2 * step) / tolerance * typical[unit])
    response = np.array(columns).T
    values = np.linalg.svd(response, compute_uv=False)
    assert np.linalg.matrix_rank(response, tol=1e-3 * values[0]) <= 5
    source_only = np.linalg.svd(response[:, :3], compute_uv=False)
    assert source_only[-1] > 1e-2 * source_only[0]
