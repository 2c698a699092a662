"""What a spec allows: tolerances by quantity, and a table of how well the axes must be set."""

from __future__ import annotations

from collections.abc import Collection, Mapping, Sequence
from dataclasses import dataclass
from typing import Any, Protocol

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError, unknown_name
from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Layout
from autoalign.optics.pose import Array

__all__ = [
    "SpecLike",
    "ToleranceRow",
    "by_quantity",
    "by_term",
    "calculable",
    "tolerance_table",
    "used",
]

Floats = npt.NDArray[np.float64]

_DIVERGENCE = ("divergence_xx", "divergence_yy", "divergence_xy")
_STRETCH = ("astigmatism_0", "astigmatism_45")
_BATCH = 64


class SpecLike(Protocol):
    """Anything with terms that have a ``name`` and a ``tolerance``, such as :class:`.Spec`."""

    @property
    def terms(self) -> Sequence[Any]:
        """The terms."""
        ...


@dataclass(frozen=True, slots=True)
class ToleranceRow:
    """One row of the table.

    Parameters
    ----------
    factor
        Times the setting errors of the table.
    settings
        Standard uncertainty of each axis' setting, mm or rad.
    in_spec
        Part of the draws with every term inside its tolerance.
    used
        By term: the part of its tolerance that 95 % of the draws stay within.
    """

    factor: float
    settings: Mapping[str, float]
    in_spec: float
    used: Mapping[str, float]


def by_term(spec: SpecLike | Mapping[str, float]) -> dict[str, float]:
    """Return tolerances by term: "pointing_x", "divergence", "ellipticity", or a quantity's name.

    Terms of a spec that do not fit are left out: a plan speaks for what it knows.
    """
    if isinstance(spec, Mapping):
        found = dict(spec)
    else:
        found = {
            t.name: float(t.tolerance)
            for t in spec.terms
            if t.name in ("divergence", "ellipticity") or tuple(t.quantities) == (t.name,)
        }
    for name, tolerance in found.items():
        if not tolerance > 0:
            raise UsageError(f"term {name}: tolerance {tolerance!r} must be larger than 0.")
    return found


def calculable(
    spec: SpecLike | Mapping[str, float], known: Collection[str]
) -> tuple[dict[str, float], tuple[str, ...]]:
    """Return tolerances by term, and the terms of a spec that only a measurement can judge.

    ``known`` are the quantities that a layout gives; the reading of a power meter is none of them.
    Tolerances that are given by name must be among them.

    Raises
    ------
    UsageError
        Where nothing is left to plan for, or a name is not known.
    """
    terms = by_term(spec)
    strange = tuple(t for t in terms if t not in ("divergence", "ellipticity", *known))
    if strange and isinstance(spec, Mapping):
        raise unknown_name("quantity", strange[0], known, "plan")
    kept = {term: tolerance for term, tolerance in terms.items() if term not in strange}
    if not kept:
        raise UsageError(f"plan: nothing of the spec can be calculated ({', '.join(strange)}).")
    return kept, strange


def by_quantity(spec: SpecLike | Mapping[str, float]) -> dict[str, float]:
    """Return tolerances by quantity: a divergence limits its tensor, an ellipticity the stretch."""
    found: dict[str, float] = {}
    for name, tolerance in by_term(spec).items():
        if name == "divergence":
            found |= dict.fromkeys(_DIVERGENCE, tolerance)
        elif name == "ellipticity":  # 1 − (1 − a)/(1 + a) ≈ 2a
            found |= dict.fromkeys(_STRETCH, tolerance / 2)
        else:
            found[name] = tolerance
    return found


def used(
    found: Mapping[str, Array], perfect: Mapping[str, Array], tolerances: Mapping[str, float]
) -> dict[str, Array]:
    """Return by term how much of its tolerance a bench uses, 1 at the limit (batch shape).

    ``found`` and ``perfect`` are quantities of a bench as it is and as it is on paper: what the
    source itself does to the beam is no deviation.
    """
    out: dict[str, Array] = {}
    for term, tolerance in tolerances.items():
        if term == "divergence":
            xx, yy, xy = (found[q] - perfect[q] for q in _DIVERGENCE)
            worst = np.abs(xx + yy) / 2 + np.hypot((xx - yy) / 2, xy)
            out[term] = worst / tolerance
        elif term == "ellipticity":
            amount = np.hypot(*(found[q] for q in _STRETCH))
            out[term] = 2 * amount / (1 + amount) / tolerance
        else:
            out[term] = np.abs(found[term] - perfect[term]) / tolerance
    return out


def tolerance_table(
    layout: Layout,
    spec: SpecLike | Mapping[str, float],
    settings: Mapping[str, float],
    rng: np.random.Generator,
    factors: Sequence[float] = (0.5, 1.0, 2.0, 5.0, 10.0),
    draws: int = 400,
) -> tuple[ToleranceRow, ...]:
    """Draw benches whose axes are set with normal errors, and count how many are in spec.

    Parameters
    ----------
    settings
        Standard uncertainty of each axis' setting, mm or rad; axes that are not named are exact.
    rng
        The only source of chance; every factor uses the same draws.
    factors
        Rows of the table: multiples of ``settings``.
    """
    tolerances = by_term(spec)
    perfect = quantities(layout)
    unit = {axis: rng.standard_normal(draws) * sigma for axis, sigma in settings.items()}
    rows = []
    for factor in factors:
        parts = []
        for start in range(0, draws, _BATCH):
            cut = slice(start, start + _BATCH)
            at = {axis: factor * values[cut] for axis, values in unit.items()}
            parts.append(used(quantities(layout, at), perfect, tolerances))
        share = {term: np.concatenate([p[term] for p in parts]) for term in tolerances}
        inside = np.all([s <= 1 for s in share.values()], axis=0)
        rows.append(
            ToleranceRow(
                factor=float(factor),
                settings={axis: factor * sigma for axis, sigma in settings.items()},
                in_spec=float(np.mean(inside)),
                used={term: float(np.quantile(s, 0.95)) for term, s in share.items()},
            )
        )
    return tuple(rows)
