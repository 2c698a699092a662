"""The spec: target and tolerance of each term; residuals as a vector and their rms as one number.

A term splits into one or more smooth signed components (a search needs them) and one scalar value
with a tolerance (a person needs it). In spec = |value − target| plus its guard band is within the
tolerance (the decision rule of ISO 14253-1, from memory: the uncertainty counts against whoever
claims conformity).
"""

from __future__ import annotations

import math
from collections.abc import Sequence
from dataclasses import dataclass, replace
from typing import Protocol, runtime_checkable

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.core.errors import UsageError
from autoalign.core.foreign import foreign
from autoalign.spec.acceptance import Verdict

__all__ = [
    "DivergenceTerm",
    "EllipticityTerm",
    "MeritTerm",
    "PointingTerm",
    "QuantityTerm",
    "Spec",
    "TermValue",
    "Verdict",
    "WavefrontTerm",
]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class TermValue:
    """One term of one verdict.

    ``value``, ``target``, ``uncertainty`` and ``tolerance`` in ``unit`` (mm, rad or 1);
    ``components`` (k,) are the signed deviations of the smooth components in units of the
    tolerance.
    """

    name: str
    unit: str
    value: float
    target: float
    deviation: float
    uncertainty: float
    tolerance: float
    weight: float
    components: Floats
    in_spec: bool


@runtime_checkable
class MeritTerm(Protocol):
    """One requirement on the beam. A plug-in implements exactly this."""

    @property
    def name(self) -> str:
        """Name of the term in reports and bench files."""
        ...

    @property
    def quantities(self) -> tuple[str, ...]:
        """The quality's quantities that the term needs."""
        ...

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge ``parameters``; ``guard`` standard uncertainties are the guard band."""
        ...


@dataclass(frozen=True, slots=True)
class QuantityTerm:
    """One beam parameter, by name, against ``target`` ± ``tolerance``."""

    quantity: str
    tolerance: float
    target: float = 0.0
    unit: str = "1"
    weight: float = 1.0

    def __post_init__(self) -> None:
        _check_tolerance(self.quantity, self.tolerance, self.weight, self.target)

    @property
    def name(self) -> str:
        """The quantity's own name."""
        return self.quantity

    @property
    def quantities(self) -> tuple[str, ...]:
        """The one quantity."""
        return (self.quantity,)

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge the quantity."""
        value, u = parameters[self.quantity], parameters.u(self.quantity)
        deviation = value - self.target
        return TermValue(
            self.name, self.unit, value, self.target, deviation, u, self.tolerance, self.weight,
            np.array([deviation / self.tolerance]), abs(deviation) + guard * u <= self.tolerance,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class PointingTerm:
    """Pointing along one direction ("x" or "y"), rad."""

    direction: str
    tolerance: float
    target: float = 0.0
    weight: float = 1.0

    def __post_init__(self) -> None:
        if self.direction not in ("x", "y"):
            raise UsageError(f"pointing direction {self.direction!r}; allowed are 'x' and 'y'.")
        _check_tolerance(self.name, self.tolerance, self.weight, self.target)

    @property
    def name(self) -> str:
        """``pointing_x`` or ``pointing_y``."""
        return f"pointing_{self.direction}"

    @property
    def quantities(self) -> tuple[str, ...]:
        """The pointing along the direction."""
        return (self.name,)

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge the pointing."""
        term = QuantityTerm(self.name, self.tolerance, self.target, "rad", self.weight)
        return term.evaluate(parameters, guard)


@dataclass(frozen=True, slots=True)
class DivergenceTerm:
    """Signed full divergence in both principal directions, above what the source itself gives.

    An extended source of diameter d in the focus of a mirror of reflected focal length ρ makes a
    beam of full angle Θ = d/ρ, narrowest at a distance w: its width grows as √(D² + Θ²(z − w)²), so
    that even a perfect bench shows a growth of Θ²(z_near + z_far − 2w)/(D_near + D_far) between its
    planes. That floor is the target. Where every point of the source sends its light the same way
    (a fibre's end), the beam is narrowest one reflected focal length after the mirror, w = ρ.

    Parameters
    ----------
    tolerance
        rad, for the principal direction that is worse.
    source_divergence
        Θ, rad; 0 for a point source.
    near, far
        The planes between which the divergence was measured.
    waist
        w, mm along the beam from the mirror that collimates it: ρ for a fibre's end or a pinhole
        of even illumination.
    """

    tolerance: float
    source_divergence: float = 0.0
    near: str = "near"
    far: str = "far"
    weight: float = 1.0
    waist: float = 0.0

    def __post_init__(self) -> None:
        _check_tolerance(self.name, self.tolerance, self.weight)

    @property
    def name(self) -> str:
        """``divergence``."""
        return "divergence"

    @property
    def quantities(self) -> tuple[str, ...]:
        """The divergence tensor, and the near width for the floor."""
        return (
            "divergence_xx",
            "divergence_yy",
            "divergence_xy",
            f"{self.near}.xx",
            f"{self.near}.yy",
        )

    def floor(self, parameters: BeamParameters) -> float:
        """Return the growth that a perfect bench shows, rad."""
        if self.source_divergence == 0:
            return 0.0
        return parameters.own_growth(self.source_divergence, self.waist, self.near, self.far)

    def _eased(self, parameters: BeamParameters, floor: float) -> float:
        """Return by how much the floor falls where the near beam is wider, rad/mm.

        The floor f of a beam of width D over the length L is (√(D² + g) − D)/L.
        """
        if floor == 0:
            return 0.0
        length = parameters.distances[self.far] - parameters.distances[self.near]
        near = (parameters[f"{self.near}.xx"] + parameters[f"{self.near}.yy"]) / 2
        return floor / max(near + length * floor, 1e-9)

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge the worse principal direction."""
        floor = self.floor(parameters)
        values, covariance = parameters.pick(self.quantities)
        deviations = values[:3] - floor * np.array([1.0, 1.0, 0.0])
        tensor = np.array([[deviations[0], deviations[2]], [deviations[2], deviations[1]]])
        eigenvalues, vectors = np.linalg.eigh(tensor)
        worst = int(np.argmax(np.abs(eigenvalues)))
        v = vectors[:, worst]
        eased = self._eased(parameters, floor) / 2
        gradient = np.array([v[0] ** 2, v[1] ** 2, 2 * v[0] * v[1], eased, eased])
        u = math.sqrt(max(float(gradient @ covariance @ gradient), 0.0))
        deviation = float(eigenvalues[worst])
        # √2 on the off-diagonal part: the norm of the components is then the tensor's own norm.
        components = deviations * np.array([1.0, 1.0, math.sqrt(2)]) / self.tolerance
        return TermValue(
            self.name, "rad", deviation + floor, floor, deviation, u, self.tolerance, self.weight,
            components, abs(deviation) + guard * u <= self.tolerance,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class EllipticityTerm:
    """Ellipticity of the far beam against the near one, within ``tolerance`` of 1."""

    tolerance: float
    weight: float = 1.0

    def __post_init__(self) -> None:
        _check_tolerance(self.name, self.tolerance, self.weight)

    @property
    def name(self) -> str:
        """``ellipticity``."""
        return "ellipticity"

    @property
    def quantities(self) -> tuple[str, ...]:
        """The two stretch components."""
        return ("astigmatism_0", "astigmatism_45")

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge the ratio of the principal stretches."""
        stretch, covariance = parameters.pick(self.quantities)
        amount = float(np.hypot(*stretch))
        value = (1 - amount) / (1 + amount)
        along = stretch / amount if amount > 0 else np.array([1.0, 0.0])
        across = np.array([-along[1], along[0]])
        sure, aside = (math.sqrt(max(float(d @ covariance @ d), 0.0)) for d in (along, across))
        # A length grows with either error: across it by the square, which counts near a round beam.
        band = max(guard, 1.0)
        longest = math.hypot(amount + band * sure, band * aside)
        u = 2 * (longest - amount) / band / (1 + amount) ** 2
        return TermValue(
            self.name, "1", value, 1.0, value - 1, u, self.tolerance, self.weight,
            2 * stretch / ((1 + amount) * self.tolerance),
            abs(1 - value) + guard * u <= self.tolerance,
        )  # fmt: skip


WAVEFRONT = (
    "wavefront",
    "wavefront.defocus",
    "wavefront.astigmatism_45",
    "wavefront.astigmatism_0",
    "wavefront.coma_y",
    "wavefront.coma_x",
    "wavefront.trefoil_y",
    "wavefront.trefoil_x",
    "wavefront.spherical",
)
"""What is known of the wavefront, in waves: its rms, and what it is made of. No detector measures
it: it follows from the fit of the bench to all measurements."""


@dataclass(frozen=True, slots=True)
class WavefrontTerm:
    """The rms wavefront without piston and tilt, in waves, within ``tolerance`` of 0.

    λ/14, a Strehl ratio of 0.8, is Maréchal's criterion of a well-corrected beam (M. Born and E.
    Wolf, Principles of Optics, 7th ed., section 9.3, from memory).

    Parameters
    ----------
    tolerance
        In waves, or in mm with ``unit`` "mm".
    wavelength
        mm; needed for a tolerance in mm.
    """

    tolerance: float
    weight: float = 1.0
    unit: str = "1"
    wavelength: float = 0.0

    def __post_init__(self) -> None:
        _check_tolerance(self.name, self.tolerance, self.weight)
        if self.unit not in ("1", "mm"):
            raise UsageError(
                f"term wavefront: a tolerance in {self.unit}; give it in waves or as a length, for "
                'instance "λ/14" or "45 nm".'
            )
        if self.unit == "mm":
            if self.wavelength <= 0:
                raise UsageError(
                    "term wavefront: a tolerance that is a length needs the wavelength of the "
                    "light; give it, or the tolerance in waves."
                )
            object.__setattr__(self, "tolerance", self.tolerance / self.wavelength)
            object.__setattr__(self, "unit", "1")

    @property
    def name(self) -> str:
        """``wavefront``."""
        return "wavefront"

    @property
    def quantities(self) -> tuple[str, ...]:
        """The rms, and what it is made of."""
        return WAVEFRONT

    def evaluate(self, parameters: BeamParameters, guard: float) -> TermValue:
        """Judge the rms; its parts are the components."""
        values, _ = parameters.pick(self.quantities)
        rms, u = float(values[0]), parameters.u("wavefront")
        return TermValue(
            self.name, "1", rms, 0.0, rms, u, self.tolerance, self.weight,
            values[1:] / self.tolerance, rms + guard * u <= self.tolerance,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class Spec:
    """The terms that a beam must meet, all of them.

    Parameters
    ----------
    terms
        At least one; names must differ.
    guard
        Guard band in standard uncertainties; 1.645 means that a beam at the limit is accepted with
        5 % probability.
    """

    terms: tuple[MeritTerm, ...]
    guard: float = 1.645

    def __post_init__(self) -> None:
        if not self.terms:
            raise UsageError("a spec needs at least one term.")
        names = [t.name for t in self.terms]
        if len(set(names)) < len(names):
            raise UsageError(f"a spec names each term once; given: {', '.join(names)}.")
        if all(isinstance(t, WavefrontTerm) for t in self.terms):
            raise UsageError(
                "a spec of the wavefront alone: no detector measures it. Add terms that show where "
                "the beam goes and how it grows."
            )
        if not (math.isfinite(self.guard) and self.guard >= 0):
            raise UsageError(f"guard {self.guard!r} must be 0 or larger.")

    @classmethod
    def collimation(
        cls,
        pointing: float = 1e-4,
        divergence: float = 2e-4,
        ellipticity: float = 0.015,
        source_divergence: float = 0.0,
        planes: tuple[str, str] = ("near", "far"),
        guard: float = 1.645,
        waist: float = 0.0,
    ) -> Spec:
        """Return the spec of a collimated beam: tolerances in rad, rad and as a plain number.

        ``source_divergence`` and ``waist`` as of :class:`DivergenceTerm`.
        """
        near, far = planes
        return cls(
            (
                PointingTerm("x", pointing),
                PointingTerm("y", pointing),
                DivergenceTerm(divergence, source_divergence, near, far, waist=waist),
                EllipticityTerm(ellipticity),
            ),
            guard,
        )

    @property
    def quantities(self) -> tuple[str, ...]:
        """Every quantity that some term needs, once."""
        return tuple(dict.fromkeys(q for t in self.terms for q in t.quantities))

    @property
    def measured(self) -> Spec:
        """The terms that detectors give, without the wavefront's."""
        terms = tuple(t for t in self.terms if not isinstance(t, WavefrontTerm))
        return self if len(terms) == len(self.terms) else replace(self, terms=terms)

    def evaluate(self, parameters: BeamParameters) -> Verdict:
        """Judge ``parameters``."""
        terms = tuple(self._judge(t, parameters) for t in self.terms)
        residuals = np.concatenate([math.sqrt(t.weight) * t.components for t in terms])
        merit = float(np.sqrt(np.mean(residuals**2)))
        return Verdict(terms, residuals, merit)

    def slopes(self, parameters: BeamParameters, steps: Floats) -> Floats:
        """Return how the residuals change with each of :attr:`quantities` (residuals, quantities).

        By differences of ``steps`` (quantities,), each in the quantity's unit; only the terms that
        need a quantity are judged again.
        """
        now = [self._judge(t, parameters) for t in self.terms]
        ends = np.cumsum([len(t.components) for t in now])
        slopes = np.zeros((int(ends[-1]), len(steps)))
        for k, (name, step) in enumerate(zip(self.quantities, steps, strict=True)):
            values = parameters.values.copy()
            values[parameters.index(name)] += step
            varied = replace(parameters, values=values)
            for term, old, end in zip(self.terms, now, ends, strict=True):
                if name in term.quantities:
                    change = self._judge(term, varied).components - old.components
                    slopes[end - len(change) : end, k] = math.sqrt(old.weight) * change / step
        return slopes

    def _judge(self, term: MeritTerm, parameters: BeamParameters) -> TermValue:
        with foreign(f"merit term {type(term).__name__}"):
            return term.evaluate(parameters, self.guard)

    def missing(self, names: Sequence[str]) -> tuple[str, ...]:
        """Return the quantities that the spec needs and ``names`` lacks."""
        return tuple(q for q in self.quantities if q not in names)


def _check_tolerance(name: str, tolerance: float, weight: float, target: float = 0.0) -> None:
    if not math.isfinite(target):
        raise UsageError(f"term {name}: target {target!r} must be a finite number.")
    if not (math.isfinite(tolerance) and tolerance > 0):
        raise UsageError(f"term {name}: tolerance {tolerance!r} must be larger than 0.")
    if not (math.isfinite(weight) and weight > 0):
        raise UsageError(f"term {name}: weight {weight!r} must be larger than 0.")
