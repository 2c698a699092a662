"""How every quantity answers to every axis: exact derivatives, and what cannot be seen.

Derivatives are complex steps of the exact trace (W. Squire and G. Trapp, SIAM Rev. 40, 1998): one
trace with one axis per batch entry, no step size to guess.
"""

from __future__ import annotations

from collections.abc import Collection, Mapping
from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError, unknown_name
from autoalign.core.units import EDGE_UNIT, signed, to_edge
from autoalign.optics.ideal import quantities
from autoalign.optics.layout import Layout
from autoalign.optics.pose import Pose

__all__ = ["Combination", "Sensitivity", "sensitivity"]

Floats = npt.NDArray[np.float64]

_STEP = 1e-40


@dataclass(frozen=True, slots=True, eq=False)
class Combination:
    """Several axes moved together.

    Parameters
    ----------
    amounts
        By axis, mm or rad.
    units
        By axis, "mm" or "rad".
    effect
        The largest change of any quantity, in units of its tolerance.
    shows_in
        The quantity that changes most.
    """

    amounts: Mapping[str, float]
    units: Mapping[str, str]
    effect: float
    shows_in: str

    @property
    def words(self) -> str:
        """The combination in words, in mm and mrad; parts under 1 % of the largest are left out."""
        shown = {a: to_edge(v, EDGE_UNIT[self.units[a]]) for a, v in self.amounts.items()}
        largest = max(abs(v) for v in shown.values())
        moves = ", ".join(
            f"{axis} {signed(value)} {EDGE_UNIT[self.units[axis]]}"
            for axis, value in shown.items()
            if abs(value) >= 0.01 * largest
        )
        return (
            f"{moves}: moved together, to first order no quantity changes by more than "
            f"{self.effect:.2g} of its tolerance (most: {self.shows_in})."
        )


@dataclass(frozen=True, slots=True, eq=False)
class Sensitivity:
    """Derivatives of the named quantities by every axis.

    ``axes`` (n,) with their ``units`` ("mm" or "rad"); ``names`` (q,) and ``values`` (q,) of the
    quantities; ``matrix`` (q, n) in the quantity's unit per mm or rad.
    """

    axes: tuple[str, ...]
    units: tuple[str, ...]
    names: tuple[str, ...]
    values: Floats
    matrix: Floats

    def __call__(self, quantity: str, axis: str) -> float:
        """Return the derivative of ``quantity`` by ``axis``."""
        if axis not in self.axes:
            raise unknown_name("axis", axis, self.axes, "sensitivity")
        return float(self.rows([quantity])[0, self.axes.index(axis)])

    def rows(self, names: list[str] | tuple[str, ...]) -> Floats:
        """Return the rows (k, n) of the quantities ``names``."""
        for name in names:
            if name not in self.names:
                raise unknown_name("quantity", name, self.names, "sensitivity")
        return self.matrix[[self.names.index(name) for name in names]]

    def of(self, axes: Collection[str]) -> Sensitivity:
        """Return the derivatives by ``axes`` alone."""
        kept = [k for k, axis in enumerate(self.axes) if axis in axes]
        return replace(
            self,
            axes=tuple(self.axes[k] for k in kept),
            units=tuple(self.units[k] for k in kept),
            matrix=self.matrix[:, kept],
        )

    def scaled(self, tolerances: Mapping[str, float], ranges: Mapping[str, float]) -> Floats:
        """Return (k, n): change of each quantity in tolerances when an axis moves its range."""
        if not tolerances:
            raise UsageError("sensitivity: no quantity has a tolerance; give at least one.")
        for axis in self.axes:
            if axis not in ranges:
                raise unknown_name("range for axis", axis, ranges, "sensitivity")
        rows = self.rows(tuple(tolerances))
        scale = np.array([ranges[axis] for axis in self.axes])
        return np.asarray(rows * scale / np.array(list(tolerances.values()))[:, None])

    def singular_values(
        self, tolerances: Mapping[str, float], ranges: Mapping[str, float]
    ) -> Floats:
        """Return the singular values of :meth:`scaled`, largest first, one per axis."""
        values = np.zeros(len(self.axes))
        found = np.linalg.svd(self.scaled(tolerances, ranges), compute_uv=False)
        values[: len(found)] = found
        return values

    def invisible(
        self,
        tolerances: Mapping[str, float],
        ranges: Mapping[str, float],
        below: float = 0.1,
    ) -> tuple[Combination, ...]:
        """Return the combinations that change no quantity by ``below`` of its tolerance.

        Each is as large as it can be with every axis inside its range. They span the directions of
        small singular values of :meth:`scaled`, least visible first, each with as few axes as a
        Gauss elimination can leave it.
        """
        scaled = self.scaled(tolerances, ranges)
        _, _, directions = np.linalg.svd(scaled, full_matrices=True)
        hidden = [v for v in directions if _effect(scaled, v)[0] < below]
        if not hidden:
            return ()
        plain = _few_axes(np.array(hidden))
        rows = [
            p if _effect(scaled, p)[0] < below else v for p, v in zip(plain, hidden, strict=True)
        ]
        found = [self._combination(scaled, v, tuple(tolerances), ranges) for v in rows]
        return tuple(sorted(found, key=lambda c: c.effect))

    def _combination(
        self, scaled: Floats, v: Floats, names: tuple[str, ...], ranges: Mapping[str, float]
    ) -> Combination:
        effect, worst = _effect(scaled, v)
        whole = v / v[np.argmax(np.abs(v))]
        return Combination(
            amounts={a: float(p) * ranges[a] for a, p in zip(self.axes, whole, strict=True)},
            units=dict(zip(self.axes, self.units, strict=True)),
            effect=effect,
            shows_in=names[worst],
        )


def _effect(scaled: Floats, v: Floats) -> tuple[float, int]:
    """Largest change in tolerances, and its row, when ``v`` is grown to the end of its ranges."""
    change = np.abs(scaled @ v) / np.max(np.abs(v))
    worst = int(np.argmax(change))
    return float(change[worst]), worst


def _few_axes(rows: Floats) -> Floats:
    """Combine ``rows`` (k, n) so that each has one axis that none of the others moves."""
    rows = rows.copy()
    free = list(range(len(rows)))
    while free:
        pick, pivot = max(
            ((k, int(np.argmax(np.abs(rows[k])))) for k in free),
            key=lambda place: abs(rows[place]),
        )
        rows[pick] /= rows[pick, pivot]
        for k in range(len(rows)):
            if k != pick:
                rows[k] -= rows[k, pivot] * rows[pick]
        free.remove(pick)
    return rows


def sensitivity(
    layout: Layout,
    positions: Mapping[str, float] | None = None,
    offsets: Mapping[str, Pose] | None = None,
) -> Sensitivity:
    """Return the derivative of every quantity of :func:`.ideal.quantities` by every axis.

    At ``positions`` (mm or rad, 0 where not named) and with parts displaced by ``offsets``.
    """
    axes = tuple(m.axis for m in layout.motions)
    if not axes:
        raise UsageError("sensitivity: this layout has no axes.")
    at = dict(positions or {})
    steps = 1j * _STEP * np.eye(len(axes))
    varied = {axis: at.pop(axis, 0.0) + steps[k] for k, axis in enumerate(axes)}
    found = quantities(layout, varied | at, offsets)
    columns = np.stack([np.broadcast_to(v, (len(axes),)) for v in found.values()])
    return Sensitivity(
        axes=axes,
        units=tuple("mm" if m.kind == "shift" else "rad" for m in layout.motions),
        names=tuple(found),
        values=columns[:, 0].real.copy(),
        matrix=columns.imag / _STEP,
    )
