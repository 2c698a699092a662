"""Whether a measurement is in spec: the one function that says so.

A beam is in spec where every term is within its tolerance with the guard band, and no finding about
the measurement vetoes it: frames that are old, foreign or show a ghost, a beam that only looks as
if it met the spec, cameras that cannot be trusted. Whoever notices such a thing adds a finding of
severity ``VETO``; nobody else decides.
"""

from __future__ import annotations

from collections.abc import Iterable
from dataclasses import dataclass, replace
from typing import TYPE_CHECKING

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import unknown_name
from autoalign.core.findings import Finding, Severity

if TYPE_CHECKING:
    from autoalign.spec.terms import TermValue

__all__ = ["Verdict", "is_in_spec"]

Floats = npt.NDArray[np.float64]


def is_in_spec(terms: Iterable[TermValue], findings: Iterable[Finding]) -> bool:
    """Return whether every term is met and nothing that was found vetoes it."""
    vetoed = any(f.severity is Severity.VETO for f in findings)
    return all(t.in_spec for t in terms) and not vetoed


@dataclass(frozen=True, slots=True, eq=False)
class Verdict:
    """What the spec says of one measurement.

    ``terms`` as judged one by one, the ``residuals`` (r,) in units of the tolerances, their rms
    ``merit``, and the ``findings`` that bear on the verdict.
    """

    terms: tuple[TermValue, ...]
    residuals: Floats
    merit: float
    findings: tuple[Finding, ...] = ()

    @property
    def in_spec(self) -> bool:
        """Whether the beam meets the spec; see :func:`is_in_spec`."""
        return is_in_spec(self.terms, self.findings)

    def with_findings(self, *findings: Finding) -> Verdict:
        """Return the verdict with what else was found."""
        return replace(self, findings=(*self.findings, *findings))

    def __getitem__(self, name: str) -> TermValue:
        """Return the term called ``name``."""
        for term in self.terms:
            if term.name == name:
                return term
        raise unknown_name("term", name, [t.name for t in self.terms], "verdict")
