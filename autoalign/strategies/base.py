"""What a strategy is given, and what it yields.

A strategy is a generator: it yields positions and is sent what was measured there::

    class Middle(Strategy):
        name = "middle"
        needs = frozenset({Need.MERIT})

        def propose(self, problem):
            measurement = yield [(a.lower + a.upper) / 2 for a in problem.axes]
            if not measurement.in_spec:
                yield problem.start

The session takes the first measurement itself (``problem.first``), ends the generator once the beam
is in spec, and clips what it yields to the reachable positions.
"""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Generator, Sequence
from dataclasses import dataclass
from enum import StrEnum
from typing import Any

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.core.findings import Finding, Severity
from autoalign.model.wavefront_forecast import WavefrontEstimate
from autoalign.optics.layout import Layout
from autoalign.spec.terms import Spec, Verdict

__all__ = ["Cause", "Measurement", "Need", "Problem", "Strategy", "Vector"]

Vector = npt.NDArray[np.float64]


class Need(StrEnum):
    """What a strategy cannot do without."""

    MERIT = "merit"
    RESIDUALS = "residuals"
    LAYOUT = "layout"


class Cause(StrEnum):
    """Codes of what a measurement may suffer from; programs decide by them."""

    SAME_FRAMES = "same-frames"
    """Two planes gave one and the same frame."""
    STALE = "stale"
    """A detector gave nothing that began after the axes had settled."""
    DETECTOR = "detector-failed"
    """A detector gave nothing."""
    UNMEASURED = "frame-not-measured"
    """A frame could not be measured."""
    LIMITED = "frame-of-limited-use"
    """A frame is not good for everything; its flags say why."""
    UNCOMBINED = "planes-not-combined"
    """The planes could not be combined or judged."""
    MISSING = "quantity-missing"
    """A quantity that the spec needs was not measured."""
    NOT_FINITE = "not-finite"
    """A term is not a finite number."""
    THROUGH_FOCUS = "through-focus"
    """The spec is met by a beam that goes through a focus between the planes."""
    WAVEFRONT_OPEN = "wavefront-open"
    """The spec is met, and does not show that the wavefront is good."""
    NO_SPEC = "no-spec"
    """The bench has no spec to be judged by."""

    def found(self, subject: str = "", why: str = "", *, veto: bool = True) -> Finding:
        """Return the finding about ``subject``; ``why`` belongs to its sentence."""
        severity = Severity.VETO if veto else Severity.WARNING
        return Finding(self.value, subject, severity=severity, details={"why": why} if why else {})


@dataclass(frozen=True, slots=True, eq=False)
class Measurement:
    """The outcome of one measurement.

    ``positions`` (n,) of the problem's axes as read back, mm or rad. ``parameters`` and ``verdict``
    are None where the planes that the spec needs could not be measured; ``profiles`` holds whatever
    was measured, ``findings`` why not more, and what else bears on the verdict. A measurement that
    failed is data, not an exception. ``noise`` is how much the residuals would scatter if the
    measurement were repeated: the rms standard uncertainty of the terms in units of their
    tolerances, without what is the same in every measurement; ``repeated`` are the parameters with
    the covariance of that scatter alone, None where it is not known. ``wavefront`` is what all
    measurements so far say of it; None where nobody asked, or where the model cannot tell.
    """

    positions: Vector
    profiles: dict[str, BeamProfile]
    parameters: BeamParameters | None = None
    verdict: Verdict | None = None
    findings: tuple[Finding, ...] = ()
    noise: float = 0.0
    wavefront: WavefrontEstimate | None = None
    repeated: BeamParameters | None = None

    @property
    def failure(self) -> str:
        """The findings in sentences, for people; "" where there are none."""
        return "; ".join(dict.fromkeys(map(str, self.findings)))

    @property
    def causes(self) -> frozenset[str]:
        """The codes of the findings, see :class:`Cause`."""
        return frozenset(f.code for f in self.findings)

    @property
    def ok(self) -> bool:
        """Whether the spec could be judged."""
        return self.verdict is not None

    @property
    def in_spec(self) -> bool:
        """Whether the beam meets the spec; see :func:`~autoalign.spec.acceptance.is_in_spec`."""
        return self.verdict is not None and self.verdict.in_spec

    @property
    def merit(self) -> float:
        """The merit; infinite where the spec could not be judged."""
        return self.verdict.merit if self.verdict is not None else float("inf")

    @property
    def expected(self) -> float:
        """The merit to be expected of the true beam: the rms of what was measured and its doubt.

        Infinite where the spec could not be judged.
        """
        if self.verdict is None:
            return float("inf")
        ratios = [t.uncertainty / t.tolerance for t in self.verdict.terms]
        return math.sqrt(self.verdict.merit**2 + sum(r * r for r in ratios) / len(ratios))


@dataclass(frozen=True, slots=True, eq=False)
class Problem:
    """What a strategy has to work with.

    ``axes`` are the free ones; ``start`` (n,) is where they stand and ``first`` what was measured
    there. ``locked`` gives the positions of the axes that do not move, by name. ``rng`` is the only
    source of chance. ``measurements`` is how many the session grants at most, or None.
    """

    axes: tuple[Axis, ...]
    start: Vector
    first: Measurement
    spec: Spec
    rng: np.random.Generator
    layout: Layout | None = None
    locked: dict[str, float] | None = None
    uncertainties: dict[str, float] | None = None
    calibration: Any = None
    measurements: int | None = None

    @property
    def lower(self) -> Vector:
        """(n,) smallest reachable positions."""
        return np.array([a.reachable[0] for a in self.axes])

    @property
    def upper(self) -> Vector:
        """(n,) largest reachable positions."""
        return np.array([a.reachable[1] for a in self.axes])

    @property
    def scale(self) -> Vector:
        """(n,) a sensible size of a first step on each axis: a fiftieth of its travel."""
        return np.array([a.travel / 50 for a in self.axes])

    def clip(self, positions: Sequence[float] | Vector) -> Vector:
        """Return the reachable positions closest to ``positions``."""
        target: Vector = np.asarray(positions, dtype=np.float64)
        return np.minimum(np.maximum(target, self.lower), self.upper)


class Strategy(ABC):
    """Decides the next measurement from the earlier ones; the base class of every strategy.

    Life cycle, in the order of the calls: the session checks ``needs`` against the bench; it takes
    the first measurement; it calls :meth:`propose` once and runs the generator; after every yield
    it reads ``note``; it reads ``distrusts`` before it believes a measurement, and ``centres`` once
    the spec is met; it calls :meth:`conclude` with the measurement that ended the run in spec; at
    the end it reads ``findings``, ``calibration`` and ``calibration_refused``. All have defaults
    that suit a strategy which knows nothing of the kind.
    """

    name: str = ""
    """Its name on the command line and in reports."""

    needs: frozenset[Need] = frozenset()
    """What it cannot do without; the session refuses a bench that lacks it."""

    centres: bool = False
    """Whether its next position is always its guess at the middle of the spec: it may then be asked
    once more where a beam in spec is close to a limit."""

    distrusts: bool = False
    """Whether it has found that the measurements are not the truth: nothing is then called in spec,
    and the axes go back to where they were at the start."""

    note: str = "next position"
    """Why it proposed the last position, in a few words for the record."""

    findings: tuple[Finding, ...] = ()
    """What it found wrong with the bench."""

    remembers: bool = False
    """Whether it uses ``Problem.memory`` and sets ``calibration``."""

    calibration: dict[str, Any] | None = None
    """What to pass as ``Problem.memory`` next time on this bench; None where nothing is to be
    kept."""

    calibration_refused: str = ""
    """Why ``Problem.memory`` was not used, in words; "" where it was, or where there was none."""

    @abstractmethod
    def propose(self, problem: Problem) -> Generator[Sequence[float] | Vector, Measurement, None]:
        """Yield positions (n,) to measure at; each yield returns what was measured there."""

    def conclude(self, seen: Measurement) -> None:  # noqa: B027 - a hook; most need not know
        """Learn from the measurement that ended the run in spec; the generator never sees it."""
