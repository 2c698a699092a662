"""What the standards say of measured frames: caustic, stability of position, distribution."""

from __future__ import annotations

import math
from collections.abc import Sequence
from typing import TYPE_CHECKING, Any

from autoalign.beam.standards.caustic import Caustic, Stability, caustics, pointing_stability
from autoalign.beam.standards.flat_top import (
    Distribution,
    EdgeProfile,
    edge_ellipse,
    irradiance_distribution,
)
from autoalign.cli.output import print_pairs, print_table, print_text
from autoalign.core.errors import UsageError
from autoalign.core.units import edge, number, percent, rounded
from autoalign.messages.words import quantity

if TYPE_CHECKING:
    from autoalign.cli.profiles import Measured

__all__ = ["Figures", "figures_of"]

_FEW = 30
"""Positions below which a stability is little more than a guess: 13 % (common practice)."""
_UNITS = {"waist_position": "mm", "waist": "mm", "divergence": "rad", "rayleigh_length": "mm"}
_NAMES = {
    "waist_position": "waist at",
    "waist": "d_σ of the waist",
    "divergence": "full divergence",
    "rayleigh_length": "Rayleigh length",
    "m2": "M²",
}


class Figures:
    """Figures by standard, as facts and in words.

    Parameters
    ----------
    caustic
        Both directions and the azimuth of the first, rad; None where not asked for.
    stability
        The scatter of the centre; None alike.
    distribution
        By frame; empty alike.
    unit
        "mm" or "px" for lengths of stability and distribution.
    """

    def __init__(
        self,
        caustic: tuple[Caustic, Caustic, float] | None = None,
        stability: Stability | None = None,
        distribution: Sequence[tuple[str, Distribution, EdgeProfile | str]] = (),
        unit: str = "mm",
    ) -> None:
        self.caustic, self.stability = caustic, stability
        self.distribution, self.unit = tuple(distribution), unit

    def facts(self) -> dict[str, Any]:
        """Return every figure with its standard uncertainty and its unit."""
        facts: dict[str, Any] = {}
        if self.caustic is not None:
            first, second, azimuth = self.caustic
            facts["caustic (ISO 11146-1)"] = {
                "azimuth (deg)": math.degrees(azimuth),
                "along": _caustic_facts(first),
                "across": _caustic_facts(second),
            }
        if self.stability is not None:
            s = self.stability
            facts["positional stability (ISO 11670)"] = {
                f"major ({self.unit})": s.positional[0],
                f"minor ({self.unit})": s.positional[1],
                f"overall ({self.unit})": s.overall,
                "relative uncertainty": s.u_relative,
                "azimuth (deg)": math.degrees(s.azimuth),
                "positions": s.count,
            }
        if self.distribution:
            facts["irradiance distribution (ISO 13694)"] = {
                name: {
                    "flatness": d.flatness,
                    "uniformity": d.uniformity,
                    "edge steepness": d.edge_steepness,
                    f"area ({self.unit}²)": d.area,
                    "clip level": d.clip_level,
                    "edge": None
                    if isinstance(e, str)
                    else {
                        f"diameters ({self.unit})": list(e.diameters),
                        f"uncertainty ({self.unit})": e.u_diameter,
                    },
                }
                for name, d, e in self.distribution
            }
        return facts

    def print(self) -> None:
        """Print the figures for a person."""
        if self.caustic is not None:
            _print_caustic(*self.caustic)
        if self.stability is not None:
            _print_stability(self.stability, self.unit)
        if self.distribution:
            _print_distribution(self.distribution, self.unit)


def figures_of(
    many: Sequence[Measured],
    *,
    caustic: tuple[Sequence[float], float] | None = None,
    stability: bool = False,
    distribution: bool = False,
) -> Figures:
    """Return what is asked for of the frames ``many`` that could be measured.

    Parameters
    ----------
    caustic
        Distances of the frames along the beam and the wavelength, mm; None for no caustic.
    stability, distribution
        Whether the scatter of the centre, and the evenness of the light, are asked for.

    Raises
    ------
    UsageError
        Where the frames do not suffice, or lengths are in pixels where mm are needed.
    """
    good = [m for m in many if m.profile is not None]
    units = {m.unit for m in good}
    if len(units) > 1:
        raise UsageError("some frames are in mm and some in pixels; give --pitch for all.")
    unit = units.pop() if units else "mm"
    return Figures(
        None if caustic is None else _caustic(many, good, unit, *caustic),
        _stability(good) if stability else None,
        _distribution(good) if distribution else (),
        unit,
    )


def _caustic(
    many: Sequence[Measured],
    good: Sequence[Measured],
    unit: str,
    distances: Sequence[float],
    wavelength: float,
) -> tuple[Caustic, Caustic, float]:
    if unit != "mm":
        raise UsageError('--caustic needs the pixel pitch; for instance --pitch "5.5 um".')
    if len(distances) != len(many):
        raise UsageError(
            f"--caustic: {len(distances)} distances for {len(many)} frames; give one each."
        )
    if len(good) < 4:
        raise UsageError(
            f"--caustic: {len(good)} frames could be measured; at least 4 planes are needed, and "
            "ISO 11146-1 asks for 10, half of them within one Rayleigh length of the waist."
        )
    places = [z for m, z in zip(many, distances, strict=True) if m.profile is not None]
    return caustics([m.profile for m in good if m.profile is not None], places, wavelength)


def _stability(good: Sequence[Measured]) -> Stability:
    import numpy as np  # noqa: PLC0415

    if len(good) < 3:
        raise UsageError(f"--stability: {len(good)} frames could be measured; 3 are the least.")
    centres = [m.profile.centroid for m in good if m.profile is not None]
    return pointing_stability(np.array(centres))


def _distribution(
    good: Sequence[Measured],
) -> list[tuple[str, Distribution, EdgeProfile | str]]:
    found: list[tuple[str, Distribution, EdgeProfile | str]] = []
    for m in good:
        assert m.frame is not None
        assert m.profile is not None
        edge_found: EdgeProfile | str
        try:
            edge_found = edge_ellipse(m.frame, m.profile)
        except UsageError as error:
            edge_found = str(error)
        found.append((m.name, irradiance_distribution(m.frame, m.profile), edge_found))
    return found


def _caustic_facts(caustic: Caustic) -> dict[str, Any]:
    facts: dict[str, Any] = {}
    for name in Caustic.names:
        inner = _UNITS.get(name, "1")
        label = {"mm": " (mm)", "rad": " (mrad)", "1": ""}[inner]
        facts[f"{name}{label}"] = {
            "value": edge(caustic[name], inner),
            "uncertainty": edge(caustic.u(name), inner),
        }
    return {**facts, "reduced chi2": caustic.reduced_chi2, "complaints": list(caustic.complaints)}


def _print_caustic(first: Caustic, second: Caustic, azimuth: float) -> None:
    print_text("Caustic (ISO 11146-1)")
    rows = [
        (label, *(quantity(c[name], _UNITS.get(name, "1"), c.u(name)) for c in (first, second)))
        for name, label in _NAMES.items()
    ]
    turned = f"{rounded(math.degrees(azimuth), 0)}°"
    print_table(("", f"along the axis at {turned}", "across it"), rows)
    for complaint in dict.fromkeys((*first.complaints, *second.complaints)):
        print_text(f"{complaint[0].upper()}{complaint[1:]}.", hanging="  ")
    print_text()


def _print_stability(s: Stability, unit: str) -> None:
    print_text("Positional stability (ISO 11670)")
    major, minor = s.positional
    print_pairs(
        [
            ("along the larger axis, 4 s", f"{number(major)} {unit}"),
            ("across it, 4 s", f"{number(minor)} {unit}"),
            ("all azimuths, 2√2 s", f"{number(s.overall)} {unit}"),
            ("positions", f"{s.count}, each figure known to {percent(s.u_relative)}"),
        ]
    )
    if s.count < _FEW:
        print_text(f"Take {_FEW} frames or more: {s.count} make a poor estimate of a scatter.")
    print_text()


def _print_distribution(
    found: Sequence[tuple[str, Distribution, EdgeProfile | str]], unit: str
) -> None:
    level = percent(found[0][1].clip_level)
    print_text(f"Irradiance distribution (ISO 13694), above {level} of the largest pixel")
    rows = []
    for name, d, e in found:
        edge_text = "–" if isinstance(e, str) else " × ".join(number(v) for v in e.diameters)
        rows.append(
            (name, percent(d.flatness), percent(d.uniformity), percent(d.edge_steepness),
             f"{number(d.area)} {unit}²", edge_text)
        )  # fmt: skip
    header = ("frame", "flatness", "uniformity", "edge steepness", "area", f"half height, {unit}")
    print_table(header, rows, indent="")
    for name, _, e in found:
        if isinstance(e, str):
            print_text(f"{name}: {e}", hanging="  ")
    print_text()
