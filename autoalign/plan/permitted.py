"""What a spec permits: how aberrated a beam may be that meets every term, and what would show it.

A term that is met is a measurement of zero, as uncertain as its tolerance is wide. It narrows down
how the parts may be misplaced; the wavefront that is then still possible is what the spec permits.
"""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.core.axes import Axis
from autoalign.core.errors import AlignError
from autoalign.core.units import edge, edge_unit, number, percent
from autoalign.model.predict import BenchModel
from autoalign.model.target import SpecForecast
from autoalign.model.wavefront_forecast import (
    Aberration,
    WavefrontEstimate,
    WavefrontForecast,
    estimate,
)
from autoalign.optics.layout import Layout
from autoalign.plan.sensitivity import Combination
from autoalign.spec.terms import MeritTerm, Spec

__all__ = ["Permitted", "cost_words", "permitted"]

Floats = npt.NDArray[np.float64]

RECTANGULAR = 3.0
"""Weight of a residual within ±1, as of a rectangular distribution (GUM, JCGM 100, 4.3.7)."""
EXACT = dict.fromkeys(("pitch", "width", "fiducial", "tilt", "roll", "distance"), 1e-9)
"""Uncertainties of the screens: a spec is what is asked of the beam, not of what measures it."""
NARROWER = (0.5, 0.3, 0.2, 0.1, 0.05, 0.02, 0.01)
"""Parts of the tolerances that are tried."""
FARTHER = (2.0, 4.0, 10.0)
"""Multiples of the farthest plane's distance that are tried."""


@dataclass(frozen=True, slots=True, eq=False)
class Permitted:
    """The wavefront that a spec permits, and what to ask for instead.

    Parameters
    ----------
    told
        ``upper`` is what 95 % of the benches stay below whose beam meets every term.
    hidden
        By combination of axes that the spec leaves open: waves rms at the end of its range.
    tighter
        The part of the tolerances of the beam's shape at which the wavefront is shown; None if none
        of those tried is.
    farther
        The distance of the farthest plane, mm, at which it is shown; None alike.
    terms
        The terms of the spec.
    """

    told: WavefrontEstimate
    hidden: tuple[tuple[Combination, float], ...]
    tighter: float | None
    farther: float | None
    terms: tuple[MeritTerm, ...]

    def sentences(self) -> Iterator[str]:
        """Say what is permitted and what would show it; nothing where the spec shows it."""
        told = self.told
        if told.shown:
            return
        size = f"up to {number(told.upper, 2)} waves rms (95 % of the benches that meet it)"
        if told.added_upper is None:
            size += f", a Strehl ratio of {number(told.strehl_lower, 1)} or more"
            aim = "For λ/14"
        else:
            own = f"{number(edge(told.source_divergence, 'rad'))} mrad"
            size += (
                f": aberrations may add {percent(told.added_upper)} to the {own} of the source's "
                "size"
            )
            aim = "For less than 10 %"
        ways = list(self._ways())
        yield (
            f"This spec permits an aberrated beam: {size}. "
            + (f"{aim}, {' or '.join(ways)}." if ways else self._no_way(aim))
        )

    def _ways(self) -> Iterator[str]:
        if self.tighter is not None:
            asked = ", ".join(
                f"{term.name} within {_tolerance(term, self.tighter)}"
                for term in self.terms
                if not term.name.startswith("pointing")
            )
            yield f"ask for {asked}"
        if self.farther is not None:
            yield f"put the far plane at {number(self.farther)} mm"

    def _no_way(self, aim: str) -> str:
        worst = max(self.hidden, key=lambda h: h[1], default=None)
        lock = ""
        if worst is not None:
            lock = f" ({', '.join(_largest(worst[0]))} together are what it leaves open)"
        return (
            f"{aim}, no tighter tolerance and no farther plane is enough{lock}: place these parts "
            "more closely and lock one of them, or add a detector that shows the wavefront."
        )


def _tolerance(term: MeritTerm, part: float) -> str:
    size = part * float(getattr(term, "tolerance", 0.0))
    unit = "rad" if term.name.startswith(("pointing", "divergence")) else getattr(term, "unit", "1")
    if unit == "1":
        return percent(size)
    return f"{number(edge(size, unit), 2)} {edge_unit(unit)}"


def _largest(combination: Combination) -> list[str]:
    scale = {"mm": 1.0, "rad": 1e3}
    sizes = {a: abs(v) * scale[combination.units[a]] for a, v in combination.amounts.items()}
    most = max(sizes.values())
    return [a for a, s in sizes.items() if s >= 0.05 * most]


def permitted(
    layout: Layout,
    spec: Spec,
    placement: tuple[float, float],
    uncertainties: Mapping[str, float] | None = None,
    hidden: tuple[Combination, ...] = (),
) -> Permitted | None:
    """Return what ``spec`` permits; None for a bench of flat mirrors, or without light.

    Parameters
    ----------
    placement
        Standard uncertainties, mm and rad, with which parts are put into their places.
    uncertainties
        What is stated of the bench, by name (``Bench.uncertainties``).
    hidden
        Combinations of axes that no term shows.
    """
    try:
        found = _Case.of(layout, spec, placement, uncertainties)
    except AlignError:
        return None
    if found is None:
        return None
    told = found.told(1.0)
    tighter = farther = None
    if not told.shown:
        tighter = next((s for s in NARROWER if found.told(s).shown), None)
        farther = _farther(layout, spec, placement, uncertainties)
    costs = tuple((c, found.cost(c)) for c in hidden)
    return Permitted(told, costs, tighter, farther, spec.terms)


def _farther(
    layout: Layout,
    spec: Spec,
    placement: tuple[float, float],
    uncertainties: Mapping[str, float] | None,
) -> float | None:
    last = max(layout.planes, key=lambda p: p.distance)
    for times in FARTHER:
        moved = replace(last, distance=times * last.distance)
        planes = tuple(moved if p is last else p for p in layout.planes)
        try:
            found = _Case.of(replace(layout, planes=planes), spec, placement, uncertainties)
        except AlignError:
            return None
        if found is not None and found.told(1.0).shown:
            return moved.distance
    return None


@dataclass(frozen=True, slots=True, eq=False)
class _Case:
    """One layout: how terms and wavefront depend on what is not known of it."""

    axes: tuple[Axis, ...]
    forecast: WavefrontForecast
    seen: Aberration
    terms: Floats
    shape: npt.NDArray[np.bool_]
    """Which residuals are of the beam's shape, not of where it goes."""

    @classmethod
    def of(
        cls,
        layout: Layout,
        spec: Spec,
        placement: tuple[float, float],
        uncertainties: Mapping[str, float] | None,
    ) -> _Case | None:
        axes = tuple(
            Axis(m.axis, "mm" if m.kind == "shift" else "rad", lower=-1.0, upper=1.0)
            for m in layout.motions
        )
        sizes = {a.name: placement[0] if a.unit == "mm" else placement[1] for a in axes}
        priors = {f"{name}.offset": size / 2 for name, size in sizes.items()}
        model = BenchModel(layout, axes, {**priors, **(uncertainties or {}), **EXACT})
        ahead = SpecForecast(model, spec.measured)
        if ahead.wavefront is None:
            return None
        here, phi = np.zeros(len(axes)), np.zeros(model.size)
        now = ahead.at(here, phi)
        assert now.aberration is not None
        names = ahead.terms_of_rows(ahead.seen(here, phi).shown.moments[0])
        shape = np.array([not n.startswith("pointing") for n in names])
        return cls(axes, ahead.wavefront, now.aberration, now.by_unknown, shape)

    def told(self, part: float) -> WavefrontEstimate:
        """Return the wavefront of beams within ``part`` of the tolerances of their shape."""
        size = np.where(self.shape, part**2, 1.0) / RECTANGULAR
        m = self.terms.shape[1]
        met = np.linalg.inv(np.diag(size) + self.terms @ self.terms.T)
        covariance = np.eye(m) - self.terms.T @ met @ self.terms
        values, vectors = np.linalg.eigh(covariance)
        root = vectors * np.sqrt(np.maximum(values, 0.0))
        return estimate(self.forecast, self.seen, root)

    def cost(self, combination: Combination) -> float:
        """Return the waves rms that axes make which are moved together."""
        amounts = np.array([combination.amounts.get(a.name, 0.0) for a in self.axes])
        by_axis = self.seen.derivatives[1]
        return float(np.linalg.norm(by_axis @ amounts) / self.forecast.wavelength)


def cost_words(combination: Combination, waves: float) -> str:
    """Return a combination in words, with what it costs."""
    return f"{combination.words} It costs {number(waves, 2)} waves rms."
