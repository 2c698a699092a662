"""What a spec can never be shown to be: terms whose guard band alone is wider than the tolerance.

A perfect beam is judged as a real one would be, with what the bench states of its screens and
without noise. A term that is not in spec even then asks for more than the bench can tell.
"""

from __future__ import annotations

import math
from collections.abc import Mapping
from typing import Any

import numpy as np

from autoalign.beam.combine import combine, stated
from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.core.errors import AlignError
from autoalign.core.findings import Amount, Finding
from autoalign.model.predict import BenchModel
from autoalign.model.wavefront_forecast import WavefrontForecast, estimate
from autoalign.optics.ideal import plane_moments
from autoalign.optics.layout import Flat, Layout
from autoalign.optics.pose import place
from autoalign.spec.terms import Spec, TermValue, WavefrontTerm

__all__ = ["unprovable"]

SCREEN = ("pitch", "pixel_aspect", "fiducial", "roll", "tilt", "distance")
"""What is stated of screens, and counts into the guard band."""
_ORDER = ("x", "y", "xx", "yy", "xy", "xxx", "xxy", "xyy", "yyy")
_FINE = 1e-3
"""Noise of the best frames, in units of the beam's standard deviation to the moment's order."""


def unprovable(
    layout: Layout | None, spec: Spec | None, uncertainties: Mapping[str, float] | None
) -> tuple[Finding, ...]:
    """Return a finding for each term that not even a perfect beam can be shown to meet.

    Parameters
    ----------
    layout
        The bench on paper; without one nothing is known beforehand.
    spec
        What the beam must meet.
    uncertainties
        What is stated of the bench, by name (``Bench.uncertainties``).
    """
    known = dict(uncertainties or {})
    if layout is None or spec is None or not spec.guard:
        return ()
    try:
        now = _judged(layout, spec, known)
    except AlignError:  # a plug-in's term, or a bench that has no light on paper
        return ()
    found = [_finding(layout, spec, known, t) for t in now if not t.in_spec and _wide(t, spec)]
    return (*found, *_wavefront(layout, spec, known))


def _wide(term: TermValue, spec: Spec) -> bool:
    """Whether the guard band alone is too wide; a perfect beam that is off its target is not it."""
    return spec.guard * term.uncertainty >= term.tolerance


def _judged(layout: Layout, spec: Spec, known: Mapping[str, float]) -> tuple[TermValue, ...]:
    moments = plane_moments(layout, place(layout))
    profiles = {
        p: BeamProfile(
            np.array([float(np.real(m[k])) for k in _ORDER]),
            np.diag(np.full(9, 1e-18)),
            1.0, 0.0, 0.0, 0.0, 1.0,
            plane=p,
        )
        for p, m in moments.items()
    }  # fmt: skip
    distances = {p.name: p.distance for p in layout.planes}
    screens: dict[str, Any] = {**stated(known, distances)}
    parameters = combine(profiles, distances, **screens)
    terms = tuple(
        t for t in spec.measured.terms if all(q in parameters.names for q in t.quantities)
    )
    return Spec(terms, spec.guard).evaluate(parameters).terms if terms else ()


def _finding(layout: Layout, spec: Spec, known: Mapping[str, float], term: TermValue) -> Finding:
    """Name what is known too poorly, how well it must be known, and the tolerance that would do."""
    numbers = {
        "needed_tolerance": Amount(spec.guard * term.uncertainty * 1.2, term.unit),
        "tolerance": Amount(term.tolerance, term.unit),
    }
    of_kind = {kind: [k for k in known if k.rpartition(".")[2] == kind] for kind in SCREEN}
    shares = {}
    for kind, keys in of_kind.items():
        rest = {k: v for k, v in known.items() if k not in keys}
        without = next(t for t in _judged(layout, spec, rest) if t.name == term.name)
        shares[kind] = term.uncertainty**2 - without.uncertainty**2
    key = max(shares, key=lambda k: shares[k])
    if not of_kind[key]:
        return Finding("term-unprovable", term.name, numbers)
    largest = max(known[k] for k in of_kind[key])
    others = max(term.uncertainty**2 - shares[key], 0.0)
    # Half the tolerance is left for the beam.
    allowed = (term.tolerance / 2 / spec.guard) ** 2 - others
    unit = {"fiducial": "mm", "roll": "rad", "tilt": "rad"}.get(key, "1")
    numbers["stated"] = Amount(largest, unit)
    if allowed > 0 and shares[key] > 0:
        numbers["needed"] = Amount(largest * math.sqrt(allowed / shares[key]), unit)
    return Finding("term-unprovable", term.name, numbers, details={"what": key})


def _wavefront(layout: Layout, spec: Spec, known: Mapping[str, float]) -> tuple[Finding, ...]:
    """Return the finding of a wavefront that one measurement of a perfect beam does not show."""
    term = next((t for t in spec.terms if isinstance(t, WavefrontTerm)), None)
    if term is None or all(isinstance(e.surface, Flat) for e in layout.elements):
        return ()
    axes = [
        Axis(m.axis, "mm" if m.kind == "shift" else "rad", lower=-1.0, upper=1.0)
        for m in layout.motions
    ]
    model = BenchModel(layout, axes, known)
    here, phi = np.zeros(len(axes)), np.zeros(model.size)
    seen = model.predict(here, phi, derivatives=True)
    assert seen.jacobian is not None
    jacobian = seen.jacobian[0]
    sigma = np.sqrt(seen.moments[0, :, 2:4].mean(axis=1))[:, None]
    noise = _FINE * sigma ** np.array([1, 1, 2, 2, 2, 3, 3, 3, 3])
    rows = (jacobian / noise[..., None])[:, :5].reshape(-1, model.size)
    values, vectors = np.linalg.eigh(np.eye(model.size) + rows.T @ rows)
    forecast = WavefrontForecast(model)
    told = estimate(forecast, forecast.at(here, phi), vectors / np.sqrt(values))
    if told.upper < term.tolerance:
        return ()
    numbers = {"needed_tolerance": Amount(1.2 * told.upper), "tolerance": Amount(term.tolerance)}
    return (Finding("term-unprovable", term.name, numbers),)
