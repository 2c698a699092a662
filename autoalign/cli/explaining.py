"""What the planes together say of a collimator, in words."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from typing import TYPE_CHECKING

from autoalign.beam import combine
from autoalign.beam.diagnose import diagnose
from autoalign.cli.output import print_text
from autoalign.cli.profiles import Measured
from autoalign.errors import AlignError, UsageError
from autoalign.units import quantity

if TYPE_CHECKING:
    from autoalign.beam.quality import Quality
    from autoalign.config import BenchFile

__all__ = ["Collimator", "collimator_of", "explain", "explain_pictures", "print_words"]


@dataclass(frozen=True, slots=True)
class Collimator:
    """What a diagnosis needs to know: mm and rad; ``distances`` of the pictures, in their order."""

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
        rho = quantity(focal_length, "mm")
        return cls(
            rho,
            quantity(angle, "rad"),
            None if aperture is None else quantity(aperture, "mm"),
            quantity(core, "mm") / rho,
            tuple(quantity(part, "mm") for part in distances.split(",")),
        )


def collimator_of(file: BenchFile) -> Collimator:
    """Take what is needed from a bench file."""
    optic, source = file.tables.optic, file.tables.source
    if file.tables.bench.family != "collimator" or optic is None or source is None:
        raise UsageError(
            f"{file.source}: only a collimator can be explained so far; this is a "
            f"{file.tables.bench.family}."
        )
    rho = optic.reflected_focal_length
    return Collimator(rho, optic.off_axis_angle, optic.clear_aperture, source.core_diameter / rho)


def explain(quality: Quality, bench: Collimator) -> tuple[str, ...]:
    """Return what stands wrong, surest first, and what cannot be told; or why nothing can."""
    try:
        found = diagnose(
            quality,
            reflected_focal_length=bench.reflected_focal_length,
            off_axis_angle=bench.off_axis_angle,
            clear_aperture=bench.clear_aperture,
            source_divergence=bench.source_divergence,
        )
    except AlignError as error:
        return (f"Nothing can be said: {error}",)
    return found.words()


def explain_pictures(many: Sequence[Measured], bench: Collimator) -> tuple[str, ...]:
    """Explain pictures that were taken at ``bench.distances``."""
    if len(many) != len(bench.distances) or len(many) < 2:
        raise UsageError(
            f"--distances names {len(bench.distances)} places for {len(many)} frames; give one "
            "for each, at least two, in their order."
        )
    distances = {m.name: d for m, d in zip(many, bench.distances, strict=True)}
    profiles = {m.name: m.profile for m in many if m.profile is not None}
    try:
        quality = combine(profiles, {name: distances[name] for name in profiles})
    except AlignError as error:
        return (f"Nothing can be said: {error}",)
    return explain(quality, bench)


def print_words(words: Sequence[str]) -> None:
    """Print an explanation, a sentence a line."""
    print_text()
    print_text("What this says of the bench (first order; small errors)")
    for sentence in words:
        print_text(sentence, indent="  ")
