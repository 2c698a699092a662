"""Diagnosis from one measurement, in words: frames, axes, and what cannot be determined."""

from __future__ import annotations

import math
from collections.abc import Mapping, Sequence
from dataclasses import dataclass
from functools import partial
from pathlib import Path
from typing import TYPE_CHECKING, Any

import numpy as np

from autoalign.beam import combine
from autoalign.beam.combine import stated
from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.cli.numbers import listed_amounts, option_length, option_value
from autoalign.cli.output import print_text
from autoalign.cli.profiles import Measured
from autoalign.core.errors import AlignError, UsageError
from autoalign.core.units import edge, edge_unit
from autoalign.diagnosis.estimator import Knowledge
from autoalign.diagnosis.from_pictures import diagnose
from autoalign.diagnosis.misalignment import Misalignment, read_misalignment
from autoalign.diagnosis.remarks import fill_words, remarks
from autoalign.diagnosis.through_focus import focus_words
from autoalign.messages.turn_advice import advice_words
from autoalign.messages.words import counted
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.report.aberrations import aberration_words

if TYPE_CHECKING:
    from autoalign.bench import Bench

__all__ = ["Collimator", "Explanation", "explain_bench", "explain_pictures", "print_words"]


@dataclass(frozen=True, slots=True)
class Explanation:
    """Sentences, and what is known of each axis as facts (empty if nothing is)."""

    words: tuple[str, ...]
    axes: tuple[dict[str, Any], ...] = ()


@dataclass(frozen=True, slots=True)
class Collimator:
    """What a diagnosis of pictures needs: mm and rad; ``distances`` in their order."""

    reflected_focal_length: float
    off_axis_angle: float
    clear_aperture: float | None = None
    source_divergence: float = 0.0
    distances: tuple[float, ...] = ()

    @classmethod
    def of_options(
        cls,
        distances: str | None,
        focal_length: str | None,
        angle: str | None,
        aperture: str | None,
        core: str,
    ) -> Collimator:
        """Read the options of the command line."""
        if distances is None or focal_length is None or angle is None:
            raise UsageError(
                "--explain with pictures needs --distances, --focal-length and --angle; for "
                'instance --distances "0.4 m, 2.4 m" --focal-length "150 mm" --angle "35 deg".'
            )
        rho = option_length("focal_length", focal_length)
        alpha = option_value("--angle", angle, "rad")
        wide = None if aperture is None else option_length("aperture", aperture)
        OffAxisParaboloid(rho, math.degrees(alpha), wide or rho / 10)  # says what cannot be
        places = tuple(
            option_length("distances", part) for part in listed_amounts("--distances", distances)
        )
        if len(set(places)) < len(places):
            raise UsageError(
                f"--distances {distances!r} gives one distance twice; each picture needs its own."
            )
        return cls(rho, alpha, wide, option_length("core", core) / rho, places)


def explain_pictures(many: Sequence[Measured], bench: Collimator) -> Explanation:
    """Explain pictures that were taken at ``bench.distances``."""
    if len(many) != len(bench.distances) or len(many) < 2:
        raise UsageError(
            f"--distances gives {counted(len(bench.distances), 'distance')} for "
            f"{counted(len(many), 'frame')}; give one for each, at least two, in their order."
        )
    names = _short([m.name for m in many])
    distances = dict(zip(names, bench.distances, strict=True))
    profiles = {n: m.profile for n, m in zip(names, many, strict=True) if m.profile is not None}
    lit = _lit(profiles)
    try:
        parameters = combine(lit, {name: distances[name] for name in lit})
        found = diagnose(
            parameters,
            reflected_focal_length=bench.reflected_focal_length,
            off_axis_angle=bench.off_axis_angle,
            clear_aperture=bench.clear_aperture,
            source_divergence=bench.source_divergence,
            profiles=profiles,
        )
    except AlignError as error:
        return Explanation((f"No conclusion is possible: {error}",))
    return Explanation(found.words())


def _short(names: Sequence[str]) -> list[str]:
    """Names of files without their folders, where that keeps them apart."""
    short = [Path(name).name for name in names]
    return short if len(set(short)) == len(short) else list(names)


def explain_bench(
    bench: Bench, profiles: Mapping[str, BeamProfile], positions: Mapping[str, float]
) -> Explanation:
    """Explain one measurement of a bench with its axes at ``positions``, mm or rad."""
    frames = [r.sentence for r in remarks(profiles) if r.kind not in _left_out(bench.layout)]
    if not _lit(profiles):
        nothing = "No axis can be named: no camera sees the beam."
        search = "`autoalign align` searches for it within the soft limits."
        return Explanation((*frames, f"{nothing} {search}"))
    if bench.layout is None or bench.spec is None:
        lacks = "layout" if bench.layout is None else "spec"
        return Explanation((*frames, f"No axis can be named: the bench file has no {lacks}."))
    frames += _resting_on(bench.layout, profiles)
    filled = _filled(bench.layout, profiles)
    try:
        found = _read(bench, bench.layout, profiles, positions)
    except AlignError as error:
        return Explanation((*frames, *filled, f"No axis can be named: {error}"))
    axes = bench.free_axes
    words = (
        *frames,
        *_focus(bench.layout, profiles),
        *advice_words(found, axes, positions, partial(aberration_words, bench.layout)),
        *filled,
    )
    return Explanation(words, tuple(_facts(found, bench)))


def _read(
    bench: Bench,
    layout: Layout,
    profiles: Mapping[str, BeamProfile],
    positions: Mapping[str, float],
) -> Misalignment:
    assert bench.spec is not None
    axes = list(bench.free_axes.values())
    know = Knowledge(layout, axes, bench.spec, bench.uncertainties)
    here = np.array([positions[a.name] for a in axes])
    know.learn(here, profiles)
    planes = {p.name: p.distance for p in layout.planes}
    return read_misalignment(know, here, stated(bench.uncertainties, planes))


def _filled(layout: Layout, profiles: Mapping[str, BeamProfile]) -> tuple[str, ...]:
    """Return how the collimating mirror is filled; the width in a focus does not show it."""
    optic = layout.elements[-1].surface
    if layout.kind != "collimator" or not isinstance(optic, OffAxisParaboloid):
        return ()
    distances = {p.name: p.distance for p in layout.planes}
    return (fill_words(profiles, distances, optic.clear_aperture),)


def _resting_on(layout: Layout, profiles: Mapping[str, BeamProfile]) -> list[str]:
    """Return what the conclusions rest on if some planes give nothing."""
    lit = _lit(profiles)
    without = [p.name for p in layout.planes if p.name not in lit]
    if not without:
        return []
    return [
        f"Without {' and '.join(without)}, what follows relies on {' and '.join(lit)} and on what "
        "the bench file states."
    ]


def _focus(layout: Layout, profiles: Mapping[str, BeamProfile]) -> tuple[str, ...]:
    """Return where the beam is narrowest, if the planes are around a focus."""
    if layout.kind not in ("focuser", "relay"):
        return ()
    lit = _lit(profiles)
    return focus_words(combine(lit, {p: layout.plane(p).distance for p in lit}))


def _left_out(layout: Layout | None) -> tuple[FlagKind, ...]:
    """Hot pixels were replaced; how an aperture cuts a collimated beam is said of the mirror; and
    the image of a fibre's end has a hard edge of its own."""
    if layout is None or layout.kind not in ("collimator", "relay"):
        return (FlagKind.HOT_PIXELS,)
    return (FlagKind.HOT_PIXELS, FlagKind.CLIPPED_BY_APERTURE)


def _lit(profiles: Mapping[str, BeamProfile]) -> dict[str, BeamProfile]:
    return {name: p for name, p in profiles.items() if p.use is not Use.NOTHING}


def _facts(found: Misalignment, bench: Bench) -> list[dict[str, Any]]:
    facts = []
    for r in found.axes:
        unit = bench.axes[r.axis].unit
        facts.append(
            {
                "axis": r.axis,
                "move_by": edge(-r.amount, unit),
                "uncertainty": edge(r.u, unit),
                "unit": edge_unit(unit),
                "confidence": r.confidence,
                "determined": r.told,
            }
        )
    return facts


def print_words(words: Sequence[str]) -> None:
    """Print an explanation, one sentence per line."""
    print_text()
    print_text("Diagnosis (± is 95 %)")
    for sentence in words:
        print_text(f"- {sentence}", indent="  ", hanging="    ")
