"""Which explanation wins, on made-up responses of two axes seen by one camera."""

from __future__ import annotations

from types import SimpleNamespace
from typing import Any

import numpy as np
import pytest

from autoalign.beam.profile import BeamProfile
from autoalign.check.axis_response import AxisResponse
from autoalign.check.judge import judge, pair_up, true_profiles
from autoalign.diagnosis.hypotheses import AS_STATED, AxisVerdict, Judgement, of_cameras
from autoalign.session import Camera

PLAIN = ((1.0, 0.0), (0.0, 1.0))
CAMERAS = {"far": Camera(0.1, 0.1, (0.0, 0.0), PLAIN)}


class Expected:
    """Axis a moves the spot by 10 standard uncertainties along x, axis b along y."""

    model: Any = SimpleNamespace(
        planes=("far",), axes=(SimpleNamespace(name="a.x"), SimpleNamespace(name="a.y"))
    )

    def index(self, axis: str) -> int:
        """Return 0 or 1."""
        return ["a.x", "a.y"].index(axis)

    def change(self, axis: int, places: Any, step: float) -> tuple[Any, Any]:
        """Return the change along x and y, and no doubt of it."""
        return 10.0 * step * np.eye(2)[axis][places[:, 1]], np.zeros((len(places),) * 2)

    def alike(self, axis: int) -> list[int]:
        """Return the other one."""
        return [1 - axis]

    def siblings(self, axis: int) -> list[int]:
        """Return none."""
        return []

    def weakest(self, *_: Any) -> str:
        """Say something."""
        return "its scale"


def judged(x: float, y: float, shows: bool = True) -> Judgement:
    """Return the judgement of axis a after a change of the spot by (x, y)."""
    nan = float("nan")
    rows = (("far", 0), ("far", 1))
    response = AxisResponse(rows, np.array([x, y]), np.ones(2), 1.0, shows, nan, nan, nan, nan)
    return judge("a.x", 1.0, response, Expected(), AS_STATED, CAMERAS)  # type: ignore[arg-type]


@pytest.mark.parametrize(
    ("change", "verdict", "like"),
    [
        ((10.3, -0.4), AxisVerdict.WELL, "a.x"),
        ((-10.2, 0.5), AxisVerdict.REVERSED, "a.x"),
        ((0.4, -0.3), AxisVerdict.DEAD, "a.x"),
        ((20.0, 0.2), AxisVerdict.SCALE, "a.x"),
        ((0.1, 10.1), AxisVerdict.EXCHANGED, "a.y"),
        ((0.1, -10.1), AxisVerdict.EXCHANGED, "a.y"),
        ((30.0, 40.0), AxisVerdict.STRANGE, "a.x"),
    ],
)
def test_each_fault_is_what_explains_the_change(
    change: tuple[float, float], verdict: AxisVerdict, like: str
) -> None:
    """Well, backwards, dead, too far, the other one, the other one backwards, none of these."""
    found = judged(*change, shows=verdict is not AxisVerdict.DEAD)
    assert (found.verdict, found.like) == (verdict, like)


def test_a_fault_must_explain_much_more_than_chance() -> None:
    """(8, 4) where (10, 0) is expected: χ² of 20 is odd, and accuses nobody."""
    assert judged(8.0, 4.0).verdict is AxisVerdict.WELL


def one(verdict: AxisVerdict, cost: float, exchanged: dict[str, float]) -> Judgement:
    """Return a judgement."""
    return Judgement(verdict, cost, exchanged=exchanged)


@pytest.mark.parametrize(("cost", "verdict"), [(35.0, AxisVerdict.EXCHANGED), (60.0, None)])
def test_two_axes_exchanged_with_each_other_are_one_fault(
    cost: float, verdict: AxisVerdict | None
) -> None:
    """The accusation is paid once: 70 less 30 against 62; two that cost 60 stay what they are."""
    apart = {
        "a.x": one(AxisVerdict.EXCHANGED, 31.0, {"a.y": cost}),
        "a.y": one(AxisVerdict.REVERSED, 31.0, {"a.x": cost}),
    }
    found = pair_up(apart)
    assert found["a.y"].verdict is (verdict or AxisVerdict.REVERSED)
    assert (found["a.y"].like == "a.x") is (verdict is not None)


def test_what_an_exchanged_camera_shows_is_counted_from_the_zero_of_the_true_one() -> None:
    """A spot on pixel (300, 200), whichever plane's name, pitch, zero and view it came under."""
    cameras = {
        "near": Camera(0.1, 0.2, (250.0, 260.0), ((1.0, 0.0), (0.0, -1.0))),
        "far": Camera(0.5, 0.4, (256.0, 240.0), PLAIN),
    }
    (swapped,) = (h for h in of_cameras(("near", "far")) if h.exchanged)
    stated = cameras["far"]
    x, y = (300 - stated.origin[0]) * stated.pitch_x, (200 - stated.origin[1]) * stated.pitch_y
    moments = np.array([x, y, 1.0, 2.0, 0.0, 0.0, 0.0, 0.0, 0.0])
    seen = BeamProfile(moments, np.eye(9), 1.0, 0.0, 0.0, 0.0, 1.0, plane="far", view=PLAIN)
    (true,) = true_profiles(swapped, {"far": seen}, cameras).values()
    assert true.plane == "near"
    assert true.centroid == pytest.approx(((300 - 250) * 0.1, -(200 - 260) * 0.2))
    assert true.moments[2:4] == pytest.approx([1.0 / 25, 2.0 / 4])
