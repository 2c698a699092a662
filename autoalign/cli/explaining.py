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
from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.cli.numbers import listed_amounts, option_length, option_value
from autoalign.cli.output import print_text
from autoalign.cli.profiles import Measured
from autoalign.core.axes import Axis
from autoalign.core.errors import AlignError, UsageError
from autoalign.core.units import edge, edge_unit, number
from autoalign.diagnosis.from_pictures import Emission, PictureBench
from autoalign.diagnosis.misalignment import Misalignment, read_profiles
from autoalign.diagnosis.remarks import fill_words, remarks
from autoalign.diagnosis.through_focus import focus_words
from autoalign.messages.turn_advice import advice_words
from autoalign.messages.words import counted
from autoalign.optics.layout import Layout
from autoalign.optics.paraboloid import OffAxisParaboloid
from autoalign.report.aberrations import aberration_words
from autoalign.spec.terms import Spec

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
    """What the command line says of the bench of some pictures; ``distances`` in their order."""

    reflected_focal_length: float
    off_axis_angle: float
    clear_aperture: float | None
    core: float
    na: float | None
    emission: Emission
    wavelength: float | None
    distances: tuple[float, ...]

    @classmethod
    def of_options(
        cls,
        distances: str | None,
        focal_length: str | None,
        angle: str | None,
        aperture: str | None,
        core: str,
        na: float | None,
        emission: Emission,
        wavelength: str | None,
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
        if na is not None and not 0 < na < 1:
            raise UsageError(f"--na {na:g}: a numerical aperture lies between 0 and 1.")
        places = tuple(
            option_length("distances", part) for part in listed_amounts("--distances", distances)
        )
        if len(set(places)) < len(places):
            raise UsageError(
                f"--distances {distances!r} gives one distance twice; each picture needs its own."
            )
        colour = None if wavelength is None else option_length("wavelength", wavelength)
        size = option_length("core", core)
        return cls(rho, alpha, wide, size, na, emission, colour, places)

    def bench(
        self, distances: Mapping[str, float], profiles: Mapping[str, BeamProfile]
    ) -> PictureBench:
        """Return the bench on which ``profiles`` were measured at ``distances``."""
        return PictureBench(
            self.reflected_focal_length, self.off_axis_angle, distances, profiles,
            self.clear_aperture, self.core, self.na, self.emission, self.wavelength or 633e-6,
        )  # fmt: skip


def explain_pictures(many: Sequence[Measured], options: Collimator) -> Explanation:
    """Explain pictures that were taken at ``options.distances``, as one measurement of a bench."""
    if len(many) != len(options.distances) or len(many) < 2:
        raise UsageError(
            f"--distances gives {counted(len(options.distances), 'distance')} for "
            f"{counted(len(many), 'frame')}; give one for each, at least two, in their order."
        )
    names = _short([m.name for m in many])
    distances = dict(zip(names, options.distances, strict=True))
    profiles = {n: m.profile for n, m in zip(names, many, strict=True) if m.profile is not None}
    filled = fill_words(profiles, distances, options.clear_aperture)
    try:
        bench = options.bench(distances, _lit(profiles))
        case = _Case(bench.layout, bench.spec, bench.axes, {}, (filled,), options.wavelength)
    except AlignError as error:
        frames = (r.sentence for r in remarks(profiles))
        return Explanation((*frames, f"No axis can be named: {error}"))
    told = _explain(case, profiles, None)
    if not told.axes:
        return told
    length = max(options.distances) - min(options.distances)
    focus = 0.01 * options.reflected_focal_length**2 / length
    return Explanation((*told.words, _AXES, _EXACT.format(number(focus, 2))), told.axes)


_AXES = (
    "source.x is across the light in the plane of incidence, away from the parent's axis, source.y "
    "up, source.z towards the mirror; mirror.tip, mirror.tilt and mirror.clocking turn about x, y "
    "and the parent's axis, as in a plan."
)

_EXACT = (
    "± takes pixel sizes, distances and the middles of the pictures as exact: 1 % between two "
    "pixel sizes has the effect of {} mm of focus."
)


def _short(names: Sequence[str]) -> list[str]:
    """Names of files without their folders, where that keeps them apart."""
    short = [Path(name).name for name in names]
    return short if len(set(short)) == len(short) else list(names)


def explain_bench(
    bench: Bench, profiles: Mapping[str, BeamProfile], positions: Mapping[str, float]
) -> Explanation:
    """Explain one measurement of a bench with its axes at ``positions``, mm or rad."""
    if bench.layout is None or bench.spec is None:
        frames = [r.sentence for r in remarks(profiles) if r.kind not in _left_out(bench.layout)]
        lacks = "layout" if bench.layout is None else "spec"
        why = f"the bench file has no {lacks}." if _lit(profiles) else _NO_LIGHT + _SEARCH
        return Explanation((*frames, f"No axis can be named: {why}"))
    filled = _filled(bench.layout, profiles)
    colour = bench.layout.light.wavelength
    case = _Case(bench.layout, bench.spec, bench.free_axes, bench.uncertainties, filled, colour)
    return _explain(case, profiles, positions)


_NO_LIGHT = "no camera sees the beam."
_SEARCH = " `autoalign align` searches for it within the soft limits."


@dataclass(frozen=True, slots=True)
class _Case:
    """A bench to explain; ``filled`` says how the mirror is filled, ``wavelength`` is in mm."""

    layout: Layout
    spec: Spec
    axes: Mapping[str, Axis]
    uncertainties: Mapping[str, float]
    filled: tuple[str, ...]
    wavelength: float | None


def _explain(
    case: _Case, profiles: Mapping[str, BeamProfile], positions: Mapping[str, float] | None
) -> Explanation:
    """Explain one measurement, of a bench or of pictures, whose ``positions`` nobody knows."""
    frames = [r.sentence for r in remarks(profiles) if r.kind not in _left_out(case.layout)]
    if not _lit(profiles):
        search = "" if positions is None else _SEARCH
        return Explanation((*frames, f"No axis can be named: {_NO_LIGHT}{search}"))
    frames += _resting_on(case.layout, profiles)
    axes = list(case.axes.values())
    here = np.array([0.0 if positions is None else positions[a.name] for a in axes])
    try:
        found = read_profiles(case.layout, axes, case.spec, profiles, here, case.uncertainties)
    except (AlignError, ValueError) as error:
        return Explanation((*frames, *case.filled, f"No axis can be named: {error}"))
    optical = partial(aberration_words, case.layout) if case.wavelength is not None else None
    words = (
        *frames,
        *_focus(case.layout, profiles),
        *advice_words(found, case.axes, positions, optical),
        *case.filled,
    )
    return Explanation(words, tuple(_facts(found, case.axes)))


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
        "is stated of the bench."
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


def _facts(found: Misalignment, axes: Mapping[str, Axis]) -> list[dict[str, Any]]:
    facts = []
    for r in found.axes:
        unit = axes[r.axis].unit
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
