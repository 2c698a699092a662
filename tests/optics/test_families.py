"""The nominal benches of the four families do what their names say."""

from __future__ import annotations

import itertools
import math

import numpy as np
import pytest

from autoalign.core.errors import UnknownNameError, UsageError
from autoalign.optics.layout import Layout, Source
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.optics.pose import place
from autoalign.optics.sources import bundle, cone
from autoalign.optics.standard_layouts import (
    collimator_layout,
    focuser_layout,
    relay_layout,
    steering_layout,
)
from autoalign.optics.trace import trace_to_planes


def spots(layout: Layout, positions: dict[str, float]) -> dict[str, tuple[float, ...]]:
    """Centroid x, y and rms sizes at every plane."""
    light = layout.light
    rays = cone(light, 8, 16, angle=0.06) if isinstance(light, Source) else bundle(light, 8, 16)
    planes, out = trace_to_planes(layout, place(layout, positions), rays, clip=False)
    w = out.power / out.power.sum()
    return {
        name: (
            w @ x,
            w @ y,
            math.sqrt(w @ (x - w @ x) ** 2),
            math.sqrt(w @ (y - w @ y) ** 2),
        )
        for name, (x, y, _) in planes.items()
    }


@pytest.mark.parametrize("alpha", [15.0, 35.0, 90.0, 120.0])
@pytest.mark.parametrize("f_number", [2.0, 5.0, 20.0])
def test_the_focuser_focuses_exactly(alpha: float, f_number: float) -> None:
    """Stigmatic at the focus, with equal blur inside and beyond; f/2 to f/20, 15° to 120°."""
    layout = focuser_layout(OffAxisParaboloid(100, alpha, 60), 100 / f_number, 660e-6)
    found = spots(layout, {})
    assert max(map(abs, found["focus"])) < 1e-11
    assert found["inside"][2] == pytest.approx(found["beyond"][2], rel=1e-9)
    # d_σ at 2 mm from the focus of a Gaussian of d_σ = D is 2 D/ρ, up to the cone's angle.
    assert 4 * found["inside"][3] == pytest.approx(2 / f_number, rel=0.06)


def test_the_focus_axis_moves_the_focus_by_as_much() -> None:
    """``mirror.z`` = 2 mm puts the focus into the plane 2 mm beyond."""
    layout = focuser_layout(OffAxisParaboloid(100, 35, 60), 10, 660e-6)
    assert max(map(abs, spots(layout, {"mirror.z": 2.0})["beyond"])) < 1e-10


@pytest.mark.parametrize("orientation", ["cancelling", "adding"])
def test_both_relays_image_exactly_when_aligned(orientation: str) -> None:
    """Two paraboloids image their focus into their focus, without any aberration."""
    layout = relay(orientation)
    assert max(map(abs, spots(layout, {})["focus"])) < 1e-11


def relay(orientation: str) -> Layout:
    """Two equal 35° sections."""
    optic = OffAxisParaboloid(100, 35, 25.4)
    return relay_layout(optic, optic, 0.05, 0.1, 660e-6, orientation)  # type: ignore[arg-type]


def test_the_second_mirror_turns_about_a_point_behind_it() -> None:
    """Its pivot lies 25 mm behind the mirror, seen from the light, as the first one's does."""
    layout = relay("cancelling")
    for axis in ("second.tip", "second.tilt", "second.clocking"):
        assert layout.motion(axis).pivot == (0.0, 0.0, 425.0)
    assert layout.motion("first.tip").pivot == (0.0, 0.0, -25.0)


@pytest.mark.parametrize("axis", ["source.x", "source.y"])
def test_the_orientation_of_the_second_mirror_decides(axis: str) -> None:
    """Off-centre, "cancelling" keeps a sharp image; "adding" blurs it by a hundred times more.

    The image moves by as much as the source in both (equal mirrors), and the blur of "cancelling"
    is of second order in the displacement.
    """
    sharp, soft = (spots(relay(k), {axis: 0.2})["focus"] for k in ("cancelling", "adding"))
    for found in (sharp, soft):
        assert math.hypot(found[0], found[1]) == pytest.approx(0.2, rel=5e-3)
    assert math.hypot(*soft[2:]) > 50 * math.hypot(*sharp[2:])
    half = spots(relay("cancelling"), {axis: 0.1})["focus"]
    assert math.hypot(*sharp[2:]) / math.hypot(*half[2:]) == pytest.approx(4, rel=0.05)


@pytest.mark.parametrize("plane", ["near", "far"])
def test_beam_walk_of_two_fold_mirrors(plane: str) -> None:
    """x_i = 2[z_i θ1 + (z_i − L) θ2], mirrors at 0 and L, targets at z_i (derived here)."""
    layout = steering_layout(2.0, 660e-6, separation=300.0)
    beyond = layout.plane(plane).distance
    turn = 1e-5
    first, second = (spots(layout, {f"{k}.tilt": turn})[plane][0] for k in ("first", "second"))
    assert abs(first) == pytest.approx(2 * (beyond + 300) * turn, rel=1e-6)
    assert abs(second) == pytest.approx(2 * beyond * turn, rel=1e-6)
    # About the level tangent the beam goes up or down by 2 cos 45° as much.
    tip = spots(layout, {"first.tip": turn})[plane][1]
    assert abs(tip) == pytest.approx(math.sqrt(2) * (beyond + 300) * turn, rel=1e-6)


def test_alternating_the_fold_mirrors_contracts_by_k() -> None:
    """M1 → near, M2 → far contracts by k = z2(z1 − L)/(z1(z2 − L)) per cycle (derived here)."""
    layout = steering_layout(2.0, 660e-6, separation=300.0)
    z1, z2 = 500.0, 2300.0
    angles = {"first.tilt": 2e-4, "second.tilt": -1e-4}
    errors = []
    for _ in range(4):
        for axis, plane, arm in (("first.tilt", "near", -2 * z1), ("second.tilt", "far", 4000.0)):
            angles[axis] -= spots(layout, angles)[plane][0] / arm
        errors.append(spots(layout, angles)["near"][0])
    contraction = z2 * (z1 - 300) / (z1 * (z2 - 300))
    for before, after in itertools.pairwise(errors):
        assert after / before == pytest.approx(contraction, rel=1e-3)


@pytest.mark.parametrize(
    "layout",
    [
        collimator_layout(OffAxisParaboloid(150, 35, 30), 0.1, 0.12, 660e-6),
        focuser_layout(OffAxisParaboloid(100, 35, 25.4), 10, 660e-6),
        relay("adding"),
        steering_layout(2.0, 660e-6),
    ],
    ids=lambda k: k.kind,
)
def test_every_axis_does_something_and_axes_are_named_after_their_part(layout: Layout) -> None:
    """No axis is idle: each moves the spot, or for focus axes changes its size."""
    still = np.array(list(spots(layout, {}).values()))
    for motion in layout.motions:
        moved = np.array(list(spots(layout, {motion.axis: 1e-3}).values()))
        assert np.max(np.abs(moved - still)) > 1e-7, motion.axis
        assert motion.axis.partition(".")[0] == motion.part


def test_a_layout_needs_planes_and_a_known_orientation() -> None:
    """Both mistakes are named."""
    optic = OffAxisParaboloid(150, 35, 30)
    with pytest.raises(UsageError, match="at least one plane"):
        collimator_layout(optic, 0.1, 0.12, 660e-6, planes=())
    with pytest.raises(UnknownNameError, match=r"'cancel'.*Did you mean 'cancelling'"):
        relay_layout(optic, optic, 0.1, 0.1, 660e-6, "cancel")  # type: ignore[arg-type]
