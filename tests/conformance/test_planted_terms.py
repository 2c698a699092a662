"""The suite of merit terms passes a right term and fails every planted wrong one."""

from __future__ import annotations

import math
from collections.abc import Callable
from dataclasses import dataclass, replace
from typing import Any

import numpy as np
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.spec.terms import MeritTerm, TermValue
from autoalign.testing import TermConformance


@dataclass(frozen=True)
class Right:
    """How far a spot is from where it is wanted, 0.2 mm to the right, along a slanted line."""

    tolerance: float = 0.05
    weight: float = 2.0
    name: str = "slant"
    quantities: tuple[str, ...] = ("spot.x", "spot.y")

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge it."""
        values, covariance = parameters.pick(self.quantities)
        slope = np.array([0.8, 0.6])
        value = float(slope @ values)
        u = math.sqrt(float(slope @ covariance @ slope))
        return self.value_of(value, 0.2, u, guard)

    def value_of(self, value: float, target: float, u: float, guard: float) -> TermValue:
        """Return the value with its verdict."""
        deviation = value - target
        return TermValue(
            self.name, "mm", value, target, deviation, u, self.tolerance, self.weight,
            np.array([deviation / self.tolerance]), abs(deviation) + guard * u <= self.tolerance,
        )  # fmt: skip


class Changed(Right):
    """A right term whose value is changed at the end."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Change it."""
        return self.change(super().evaluate(parameters, guard))

    def change(self, found: TermValue) -> TermValue:
        """Return the changed value."""
        return found


@dataclass(frozen=True)
class NoName(Right):
    """Is called nothing."""

    name: str = ""


@dataclass(frozen=True)
class NoQuantities(Right):
    """Does not say what it needs."""

    quantities: tuple[str, ...] = ()


@dataclass(frozen=True)
class SameTwice(Right):
    """Names a quantity twice."""

    quantities: tuple[str, ...] = ("spot.x", "spot.x")


class ReadsWhatItDoesNotAskFor(Right):
    """Needs more than it says."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Read it."""
        assert math.isfinite(parameters["spot.power"])
        return super().evaluate(parameters, guard)


class ByPlace(Right):
    """Takes the first numbers for its own."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Take them."""
        slope = np.array([0.8, 0.6])
        u = math.sqrt(float(slope @ parameters.covariance[:2, :2] @ slope))
        return self.value_of(float(slope @ parameters.values[:2]), 0.2, u, guard)


class ChangesWhatItIsGiven(Right):
    """Subtracts its target in place."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Subtract."""
        found = super().evaluate(parameters, guard)
        parameters.values[parameters.index("spot.x")] -= 0.2
        return found


class OtherEachTime(Right):
    """Judges against the last value."""

    last: Any = None

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Compare."""
        found = super().evaluate(parameters, guard)
        value = found.value + (0.1 if self.last == found.value else 0.0)
        object.__setattr__(self, "last", found.value)
        return self.value_of(value, 0.2, found.uncertainty, guard)


class OtherName(Changed):
    """Gives its value another name."""

    def change(self, found: TermValue) -> TermValue:
        """Rename it."""
        return replace(found, name="other")


class OtherUnit(Changed):
    """Speaks of millimetres in micrometres."""

    def change(self, found: TermValue) -> TermValue:
        """Say so."""
        return replace(found, unit="um")


class BareComponent(Changed):
    """Has a number for its components."""

    def change(self, found: TermValue) -> TermValue:
        """Take it out."""
        return replace(found, components=float(found.components[0]))  # type: ignore[arg-type]


class Table(Changed):
    """Has a table for its components."""

    def change(self, found: TermValue) -> TermValue:
        """Make it."""
        return replace(found, components=found.components[None, :])


class NoComponents(Changed):
    """Has no components."""

    def change(self, found: TermValue) -> TermValue:
        """Leave them out."""
        return replace(found, components=np.zeros(0))


class NoNumberAtTheTarget(Changed):
    """Divides by its deviation."""

    def change(self, found: TermValue) -> TermValue:
        """Divide."""
        with np.errstate(invalid="ignore"):
            parts = found.components * (np.float64(found.deviation) / found.deviation or 1.0)
        return replace(found, components=parts)


class ValueFromElsewhere(Changed):
    """Has a value that is not the deviation from the target."""

    def change(self, found: TermValue) -> TermValue:
        """Lose it."""
        return replace(found, value=found.deviation)


class OffTheIdeal(Changed):
    """Has its zero beside the target."""

    def change(self, found: TermValue) -> TermValue:
        """Shift it."""
        return replace(found, components=found.components + 0.1)


class NeverInSpec(Changed):
    """Is never content."""

    def change(self, found: TermValue) -> TermValue:
        """Refuse."""
        return replace(found, in_spec=False)


class AlwaysInSpec(Changed):
    """Is always content."""

    def change(self, found: TermValue) -> TermValue:
        """Accept."""
        return replace(found, in_spec=True)


class NoGuard(Right):
    """Takes no notice of the guard band."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Take none."""
        return super().evaluate(parameters, 0.0)


class GuardHelps(Right):
    """Takes the guard band for a bonus."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Turn it round."""
        return super().evaluate(parameters, -guard)


class OneSided(Changed):
    """Accepts whatever is too small."""

    def change(self, found: TermValue) -> TermValue:
        """Accept."""
        return replace(found, in_spec=found.in_spec or found.deviation < 0)


class ComponentsInMillimetres(Changed):
    """Does not divide by the tolerance."""

    def change(self, found: TermValue) -> TermValue:
        """Multiply."""
        return replace(found, components=found.components * found.tolerance)


class WeightTwice(Changed):
    """Puts its weight into its components."""

    def change(self, found: TermValue) -> TermValue:
        """Multiply."""
        return replace(found, components=found.components * 1.5 * found.weight)


class Unsigned(Changed):
    """Loses the sign."""

    def change(self, found: TermValue) -> TermValue:
        """Lose it."""
        return replace(found, components=np.abs(found.components))


class Squared(Changed):
    """Squares its components, and keeps the sign."""

    def change(self, found: TermValue) -> TermValue:
        """Square."""
        return replace(found, components=found.components * np.abs(found.components))


class Steps(Changed):
    """Knows only wrong and right."""

    def change(self, found: TermValue) -> TermValue:
        """Round."""
        return replace(found, components=np.round(found.components))


class HalfTheUncertainty(Right):
    """Is twice as sure as it may be."""

    def value_of(self, value: float, target: float, u: float, guard: float) -> TermValue:
        """Halve."""
        return super().value_of(value, target, u / 2, guard)


class NoCorrelation(Right):
    """Takes its quantities for independent."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Leave the covariances out."""
        spread = np.diag(np.diag(parameters.covariance))
        return super().evaluate(replace(parameters, covariance=spread), guard)


class FirstUncertaintyAlone(Right):
    """Forgets the uncertainty of the second quantity."""

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Forget it."""
        found = super().evaluate(parameters, guard)
        return self.value_of(found.value, 0.2, 0.8 * parameters.u("spot.x"), guard)


class NoUncertainty(Right):
    """Is sure."""

    def value_of(self, value: float, target: float, u: float, guard: float) -> TermValue:
        """Leave it out."""
        return super().value_of(value, target, 0.0, guard)


PLANTED: list[tuple[type[Right], str]] = [
    (NoName, "test_is_a_term"),
    (NoQuantities, "test_is_a_term"),
    (SameTwice, "test_is_a_term"),
    (ReadsWhatItDoesNotAskFor, "test_gives_sound_values"),
    (ByPlace, "test_quantities_are_found_by_name"),
    (ChangesWhatItIsGiven, "test_quantities_are_found_by_name"),
    (OtherEachTime, "test_quantities_are_found_by_name"),
    (OtherName, "test_gives_sound_values"),
    (OtherUnit, "test_gives_sound_values"),
    (BareComponent, "test_gives_sound_values"),
    (Table, "test_gives_sound_values"),
    (NoComponents, "test_gives_sound_values"),
    (NoNumberAtTheTarget, "test_gives_sound_values"),
    (ValueFromElsewhere, "test_gives_sound_values"),
    (OffTheIdeal, "test_an_ideal_beam_is_in_spec"),
    (NeverInSpec, "test_an_ideal_beam_is_in_spec"),
    (AlwaysInSpec, "test_the_guard_band_counts_against_the_claim"),
    (NoGuard, "test_the_guard_band_counts_against_the_claim"),
    (GuardHelps, "test_the_guard_band_counts_against_the_claim"),
    (OneSided, "test_the_guard_band_counts_against_the_claim"),
    (ComponentsInMillimetres, "test_components_are_in_units_of_the_tolerance"),
    (WeightTwice, "test_components_are_in_units_of_the_tolerance"),
    (Unsigned, "test_components_are_smooth_and_signed"),
    (Squared, "test_components_are_smooth_and_signed"),
    (Steps, "test_components_are_smooth_and_signed"),
    (HalfTheUncertainty, "test_uncertainty_follows_from_that_of_the_quantities"),
    (NoCorrelation, "test_uncertainty_follows_from_that_of_the_quantities"),
    (FirstUncertaintyAlone, "test_uncertainty_follows_from_that_of_the_quantities"),
    (NoUncertainty, "test_uncertainty_follows_from_that_of_the_quantities"),
]

Failing = Callable[[Callable[[], Any], str], set[str]]


def suite_of(kind: type[Right]) -> Callable[[], TermConformance]:
    """Return a maker of the suite for one kind of term."""

    class Suite(TermConformance):
        def make_term(self) -> MeritTerm:
            return kind()

        def ideal(self, term: MeritTerm) -> dict[str, float]:
            return {**super().ideal(term), "spot.x": 0.25}

    return Suite


def test_a_right_term_passes_as_the_planted_ones_are_run(failing: Failing) -> None:
    """What runs the suite on planted terms finds nothing wrong with a right one."""
    assert failing(suite_of(Right), "term") == set()


@pytest.mark.parametrize(("kind", "test"), PLANTED, ids=lambda v: getattr(v, "__name__", v))
def test_each_planted_term_fails_the_test_that_is_there_for_it(
    failing: Failing, kind: type[Right], test: str
) -> None:
    """Whatever else it fails as well."""
    assert test in failing(suite_of(kind), "term")


def test_no_test_of_the_suite_is_idle() -> None:
    """Each test of the suite is the one that a planted term is there for."""
    tests = {n for n in dir(TermConformance) if n.startswith("test_")}
    assert tests == {test for _, test in PLANTED}
