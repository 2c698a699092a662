"""What every merit term must do. Authors of terms subclass :class:`TermConformance`."""

from __future__ import annotations

import math
from collections.abc import Mapping
from types import MappingProxyType

import numpy as np
import numpy.typing as npt
import pytest

from autoalign.beam.parameters import BeamParameters
from autoalign.spec.terms import MeritTerm, TermValue

__all__ = ["TermConformance"]

Floats = npt.NDArray[np.float64]

_DECOYS = {"decoy_a": 0.7, "decoy_b": -0.3}
"""Quantities that no term asks for."""


class TermConformance:
    """Tests that every :class:`~autoalign.spec.terms.MeritTerm` passes; run by pytest.

    Subclass it under a name that begins with ``Test`` and say how to make a term::

        class TestMyTerm(TermConformance):
            def make_term(self):
                return MyTerm(tolerance=1e-4)

    =======================  ===============================================================
    member                   override to…
    =======================  ===============================================================
    :meth:`make_term`        make the term, with a weight other than 1 where it takes one
    :meth:`ideal`            give the quantities of a beam without any deviation, by name
    =======================  ===============================================================
    """

    _sizes: Mapping[str, float] = MappingProxyType({})

    def make_term(self) -> MeritTerm:
        """Return the term."""
        raise NotImplementedError(f"{type(self).__name__}: say in make_term how to make a term.")

    def ideal(self, term: MeritTerm) -> dict[str, float]:
        """Return quantities (mm, rad, plain numbers) at which nothing deviates: all 0."""
        return dict.fromkeys(term.quantities, 0.0)

    @pytest.fixture
    def term(self) -> MeritTerm:
        """Return the term of this test."""
        return self.make_term()

    def test_is_a_term(self, term: MeritTerm) -> None:
        """It has every member of the protocol, a name, and quantities that differ."""
        assert isinstance(term, MeritTerm)
        assert term.name
        assert term.quantities
        assert len(set(term.quantities)) == len(term.quantities)
        assert all(isinstance(name, str) for name in term.quantities)

    def test_gives_sound_values(self, term: MeritTerm) -> None:
        """Finite numbers; components (k,); the deviation is that of the value from its target."""
        for values in (self.ideal(term), self.somewhere(term)):
            found = self.judge(term, values, 1e-9)
            assert isinstance(found, TermValue)
            assert found.name == term.name
            assert found.unit in ("mm", "rad", "1")
            assert isinstance(found.components, np.ndarray)
            assert found.components.ndim == 1
            assert found.components.size
            numbers = (found.value, found.target, found.deviation, *found.components)
            assert all(math.isfinite(number) for number in numbers)
            assert found.deviation == pytest.approx(found.value - found.target, abs=1e-12)
            assert found.tolerance > 0
            assert found.weight > 0

    def test_an_ideal_beam_is_in_spec(self, term: MeritTerm) -> None:
        """It deviates by nothing, in every component."""
        found = self.judge(term, self.ideal(term), 0.0)
        assert found.in_spec
        assert np.abs(found.components).max() < 1e-9

    def test_the_guard_band_counts_against_the_claim(self, term: MeritTerm) -> None:
        """In spec is: deviation and ``guard`` standard uncertainties together in the tolerance."""
        for share in (0.2, 0.6, 0.9, 1.1, 3.0, -0.6, -3.0):
            values = self.somewhere(term, share)
            for size in (0.0, 0.02, 0.2):
                for guard in (0.0, 1.0, 2.0):
                    found = self.judge(term, values, size, guard)
                    sum_ = abs(found.deviation) + guard * found.uncertainty
                    assert found.in_spec == (sum_ <= found.tolerance)

    def test_components_are_in_units_of_the_tolerance(self, term: MeritTerm) -> None:
        """Their length is that of the deviation over the tolerance, or a little more.

        The weight is not in them: the spec puts it there.
        """
        for share in (0.3, 0.9, 2.0):
            found = self.judge(term, self.somewhere(term, share), 0.0)
            length = float(np.linalg.norm(found.components))
            deviation = abs(found.deviation) / found.tolerance
            assert deviation * (1 - 1e-6) <= length <= 2 * deviation

    def test_components_are_smooth_and_signed(self, term: MeritTerm) -> None:
        """Through the ideal they change sign, and twice as far they are twice as large."""
        ideal = self.ideal(term)
        for name, size in self.sizes(term).items():
            at = {
                part: self.judge(term, {**ideal, name: ideal[name] + part * size}, 0.0).components
                for part in (-0.1, 0.1, 0.2)
            }
            slack = 0.1 * np.abs(at[0.1]).max()
            assert slack > 0
            np.testing.assert_allclose(at[-0.1], -at[0.1], atol=slack)
            np.testing.assert_allclose(at[0.2], 2 * at[0.1], atol=2 * slack)

    def test_uncertainty_follows_from_that_of_the_quantities(self, term: MeritTerm) -> None:
        """By finite differences of the deviation, with the covariances."""
        values = self.somewhere(term)
        names = list(term.quantities)
        steps = {n: 1e-4 * s for n, s in self.sizes(term).items()}
        slope = np.zeros(len(names))
        for k, name in enumerate(names):
            if name in steps:
                up, down = (
                    self.judge(term, {**values, name: values[name] + sign * steps[name]}, 0.0)
                    for sign in (1, -1)
                )
                slope[k] = (up.deviation - down.deviation) / (2 * steps[name])
        covariance = self.covariance(term, 0.05)[: len(names), : len(names)]
        expected = math.sqrt(slope @ covariance @ slope)
        assert expected > 0
        found = self.judge(term, values, 0.05)
        assert found.uncertainty == pytest.approx(expected, rel=0.03)

    def test_quantities_are_found_by_name(self, term: MeritTerm) -> None:
        """In whatever order, among others; the same again; and nothing is changed."""
        values = {**self.somewhere(term), **_DECOYS}
        found = []
        for names in (list(values), list(values), list(values)[::-1]):
            parameters = _quality({n: values[n] for n in names}, np.zeros((len(names),) * 2))
            found.append(term.evaluate(parameters, 1.0))
            assert parameters.values.tolist() == [values[n] for n in names]
        for other in found[1:]:
            assert other.deviation == pytest.approx(found[0].deviation, rel=1e-12)
            np.testing.assert_allclose(other.components, found[0].components, rtol=1e-12)

    def judge(
        self, term: MeritTerm, values: Mapping[str, float], size: float, guard: float = 1.0
    ) -> TermValue:
        """Judge ``values`` with standard uncertainties that are ``size`` of what matters."""
        return term.evaluate(
            _quality({**values, **_DECOYS}, self.covariance(term, size) if size else None), guard
        )

    def sizes(self, term: MeritTerm) -> Mapping[str, float]:
        """Return by how much each quantity that matters alone deviates by the tolerance."""
        if self._sizes:
            return self._sizes
        found: dict[str, float] = {}
        ideal = self.ideal(term)
        for name in term.quantities:
            size = 1e-12
            while size < 1e6:
                moved = self.judge(term, {**ideal, name: ideal[name] + size}, 0.0)
                if abs(moved.deviation) >= moved.tolerance:
                    found[name] = size
                    break
                size *= 1.2
        assert found, "no quantity makes any difference"
        self._sizes = found
        return found

    def somewhere(self, term: MeritTerm, share: float = 0.5) -> dict[str, float]:
        """Return quantities away from the ideal that deviate by about ``share`` tolerances."""
        values, sizes = self.ideal(term), self.sizes(term)
        parts = np.random.default_rng(4).uniform(0.5, 1.0, len(sizes))
        for part, (name, size) in zip(parts, sizes.items(), strict=True):
            values[name] += share * size * part
        return values

    def covariance(self, term: MeritTerm, size: float) -> Floats:
        """Return (n + 2, n + 2) covariances of the quantities, which are correlated."""
        sizes = self.sizes(term)
        scale = np.array([sizes.get(n, 0.0) for n in term.quantities] + [1.0] * len(_DECOYS))
        correlation = 0.6 * np.ones((len(scale),) * 2) + 0.4 * np.eye(len(scale))
        return size**2 * correlation * np.outer(scale, scale)


def _quality(values: Mapping[str, float], covariance: Floats | None) -> BeamParameters:
    numbers = np.array(list(values.values()), dtype=np.float64)
    spread = np.zeros((len(numbers),) * 2) if covariance is None else covariance
    return BeamParameters(tuple(values), numbers, spread, {"near": 400.0, "far": 2400.0})
