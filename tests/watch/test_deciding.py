"""The watch's decisions, on made-up sightings."""

from __future__ import annotations

from dataclasses import replace

import numpy as np
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, Flag, FlagKind, Use
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError
from autoalign.spec.terms import PointingTerm, QuantityTerm, Spec
from autoalign.strategies.base import Cause, Measurement
from autoalign.watch.deciding import WatchHistory, decide, moved
from autoalign.watch.policy import Policy, Step, WatchMeasurement

AXES = {"source.x": Axis("source.x", "mm", -1.0, 1.0, resolution=1e-3)}
SPEC = Spec((PointingTerm("x", 1e-4),))
POLICY = Policy(interval=600.0, history=8, steady=3)


def sighting(
    time: float,
    residual: float | None = 0.0,
    *,
    power: float = 1e6,
    position: float = 0.0,
    use: Use = Use.ALL,
) -> WatchMeasurement:
    """What a look at ``time`` gives when the pointing is off by ``residual`` tolerances."""
    flags = {} if use is Use.ALL else {"dark": Flag(FlagKind.DARK, "no light", use)}
    profile = BeamProfile(np.ones(9), np.eye(9), power, 1.0, 0.0, 1.0, 10.0, flags)
    seen = Measurement(
        np.array([position]), {"far": profile}, findings=(Cause.UNMEASURED.found("far", "dark"),)
    )
    if residual is not None:
        parameters = BeamParameters(
            ("pointing_x",), np.array([residual * 1e-4]), np.array([[1e-14]]), {"far": 2400.0}
        )
        seen = replace(seen, parameters=parameters, verdict=SPEC.evaluate(parameters), findings=())
    return WatchMeasurement(time, seen, {"source.x": position})


def steps(
    *seen: WatchMeasurement, past: WatchHistory | None = None, policy: Policy = POLICY
) -> list[Step]:
    """What is decided after each of ``seen``."""
    past = past or WatchHistory(AXES)
    return [decide(policy, past, s).step for s in seen]


def test_in_spec_stands() -> None:
    """Nothing moves while the beam is in spec."""
    assert steps(*(sighting(600.0 * k, 0.3) for k in range(5))) == [Step.STAND] * 5


def test_out_of_spec_is_confirmed_before_anything_moves() -> None:
    """One look never moves an axis; the second in a row does."""
    assert steps(sighting(0, 0.2), sighting(600, 1.5), sighting(605, 1.5)) == [
        Step.STAND,
        Step.CONFIRM,
        Step.REALIGN,
    ]


def test_a_passing_outlier_moves_nothing() -> None:
    """If the confirming look is fine again, the watch stands."""
    assert steps(sighting(0, 0.2), sighting(600, 1.5), sighting(605, 0.2)) == [
        Step.STAND,
        Step.CONFIRM,
        Step.STAND,
    ]


def test_a_trend_out_of_spec_is_seen_before_it_gets_there() -> None:
    """A drift of 0.23 tolerances a look is met at 0.92, before the spec is left."""
    made = steps(*(sighting(600.0 * k, 0.23 * k) for k in range(5)))
    assert made[:4] == [Step.STAND] * 4
    assert made[4] is Step.CONFIRM


TWO = Spec((QuantityTerm("m.wide", 1.0), QuantityTerm("m.sure", 1.0, weight=4.0)))


def two_terms(time: float, wide: float, sure: float) -> WatchMeasurement:
    """A look at two quantities: one with a guard band of 0.82 tolerances, one with 0.0016."""
    parameters = BeamParameters(
        ("m.wide", "m.sure"), np.array([wide, sure]), np.diag([0.5**2, 0.001**2]), {}
    )
    profile = BeamProfile(np.ones(9), np.eye(9), 1e6, 1.0, 0.0, 1.0, 10.0, {})
    seen = Measurement(np.zeros(1), {"far": profile}, parameters, TWO.evaluate(parameters))
    return WatchMeasurement(time, seen, {"source.x": 0.0})


def test_each_trend_is_held_against_the_guard_band_of_its_own_term() -> None:
    """A term that drifts to 0.6 is no alarm because another one is uncertain, whatever weights."""
    made = steps(*(two_terms(600.0 * k, 0.0, 0.1 * k) for k in range(6)))
    assert made == [Step.STAND] * 6


def test_a_trend_into_the_guard_band_is_a_trend_out_of_spec() -> None:
    """A term of which 0.82 tolerances are guard band leaves the spec at 0.18, not at 1."""
    made = steps(*(two_terms(600.0 * k, 0.04 * k, 0.0) for k in range(5)))
    assert made == [*[Step.STAND] * 4, Step.CONFIRM]


def test_noise_is_no_trend() -> None:
    """Scatter that stays inside moves nothing."""
    rng = np.random.default_rng(3)
    far = replace(POLICY, ahead=8.0)
    made = steps(*(sighting(600.0 * k, 0.4 * rng.uniform(-1, 1)) for k in range(200)), policy=far)
    assert made.count(Step.REALIGN) == 0
    assert made.count(Step.HOLD) == 0
    assert made.count(Step.CONFIRM) <= 2


@pytest.mark.parametrize(
    ("odd", "words"),
    [
        (sighting(600, None, use=Use.NOTHING), "no light at any plane"),
        (sighting(600, 0.2, power=1e5), "10 % without a move: check the source"),
        (sighting(600, 0.2, position=0.05), "without a command: moved by hand"),
        (sighting(600, 9.0), "jumped by 8.8 tolerances without a move"),
        (sighting(600, None), "could not be judged"),
    ],
)
def test_the_unexpected_holds_and_says_what(odd: WatchMeasurement, words: str) -> None:
    """Darkness, a source fault, a hand on the bench, a knock: hold, with the finding in words."""
    past = WatchHistory(AXES)
    decide(POLICY, past, sighting(0, 0.2))
    decision = decide(POLICY, past, odd)
    assert decision.step is Step.HOLD
    assert words in decision.reason


def test_a_hold_ends_by_itself_only_after_steady_looks() -> None:
    """Light that comes back must be seen three times, and steady, before the watch goes on."""
    past = WatchHistory(AXES)
    dark = sighting(600, None, use=Use.NOTHING)
    made = steps(
        sighting(0, 0.2), dark, sighting(605, 0.2), dark, sighting(615, 0.2), sighting(620, 0.2),
        sighting(625, 0.2), past=past,
    )  # fmt: skip
    assert made == [Step.STAND, *[Step.HOLD] * 5, Step.STAND]
    assert past.holding == ""


def test_after_a_knock_it_realigns_once_things_are_steady() -> None:
    """A mount moved by hand: hold, see it steady, confirm, realign; never chase in real time."""
    made = steps(
        sighting(0, 0.2), sighting(600, 9.0), *(sighting(605 + 5 * k, 9.0) for k in range(4))
    )
    assert made == [Step.STAND, *[Step.HOLD] * 3, Step.CONFIRM, Step.REALIGN]


def test_realigning_that_does_not_help_ends_in_a_hold() -> None:
    """After the allowed number of realignments a person is asked for."""
    policy = replace(POLICY, realignments=2)
    past = WatchHistory(AXES)
    for k in range(2):
        decide(policy, past, sighting(100.0 * k, 1.5))
        assert decide(policy, past, sighting(100.0 * k + 5, 1.5)).step is Step.REALIGN
        moved(past, 100.0 * k + 10)
    decide(policy, past, sighting(300, 1.5))
    decision = decide(policy, past, sighting(305, 1.5))
    assert decision.step is Step.HOLD
    assert "a person should check" in decision.reason
    for k in range(8):
        assert decide(policy, past, sighting(310 + 5.0 * k, 1.5)).step is Step.HOLD
    back = [decide(policy, past, sighting(400 + 5.0 * k, 0.2)).step for k in range(5)]
    assert back[-1] is Step.STAND


def test_the_first_look_after_a_realignment_is_held_against_how_it_left_the_bench() -> None:
    """A knock, a hand or a changed source between a realignment and the next look is a hold."""
    for odd, words in (
        (sighting(600, 66.0), "jumped"),
        (sighting(600, 0.1, position=0.05), "is 0.05 mm from where it was left"),
        (sighting(600, 0.1, power=1e5), "changed to 10 %"),
    ):
        past = WatchHistory(AXES)
        moved(past, 10.0, sighting(10, 0.1))
        decision = decide(POLICY, past, odd)
        assert decision.step is Step.HOLD
        assert words in decision.reason


def test_a_source_that_fades_slowly_is_seen() -> None:
    """Power that falls 1.9-fold from look to look holds as soon as it is halved since the move."""
    made = steps(*(sighting(600.0 * k, 0.2, power=1e6 / 1.9**k) for k in range(3)))
    assert made == [Step.STAND, Step.STAND, Step.HOLD]


def test_a_source_that_fades_slowly_is_seen_however_long_ago_the_move_was() -> None:
    """The first sighting since the move is kept beyond the looks that a trend is fitted to."""
    made = steps(*(sighting(600.0 * k, 0.2, power=1e6 * 0.97**k) for k in range(25)))
    assert made[:23] == [Step.STAND] * 23
    assert made[23] is Step.HOLD


def test_an_axis_that_creeps_by_small_steps_is_seen() -> None:
    """Twice 4 µm, each within the 7 µm that readings may differ by, are 8 µm without a command."""
    made = steps(*(sighting(600.0 * k, 0.2, position=0.004 * k) for k in range(3)))
    assert made == [Step.STAND, Step.STAND, Step.HOLD]


def test_a_fading_source_does_not_end_a_hold() -> None:
    """Looks on hold are steady only if they agree with the first of them too."""
    made = steps(
        sighting(0, 0.2), *(sighting(600 + 5.0 * k, 0.2, power=1e5 / 1.5**k) for k in range(12))
    )
    assert made[1:] == [Step.HOLD] * 12


def test_impossible_policies_are_refused() -> None:
    """Numbers that cannot be are named."""
    with pytest.raises(UsageError, match="interval must be larger than 0"):
        Policy(interval=0.0)
    with pytest.raises(UsageError, match="history at least 4"):
        Policy(history=2)
