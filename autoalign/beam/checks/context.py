"""What all checks of one frame have before them, and what they find out for one another."""

from __future__ import annotations

from collections.abc import Callable
from dataclasses import dataclass, field
from typing import Any, TypeVar, cast

from autoalign.beam.checks.radial_profile import Polar
from autoalign.beam.checks.thresholds import THRESHOLDS, Thresholds
from autoalign.beam.frame.converge import Settled
from autoalign.beam.frame.iterate import Converged
from autoalign.beam.frame.preprocess import Prepared
from autoalign.beam.profile import BeamProfile
from autoalign.core.frames import Frame

__all__ = ["Context", "outline", "resolved"]

T = TypeVar("T")


@dataclass(frozen=True, slots=True, eq=False)
class Context:
    """One measured frame.

    ``peak`` is its highest pixel inside the window, over the background; ``previous`` the frame
    before, ``reference`` a profile of the same camera, where they are known.
    """

    ready: Prepared
    settled: Settled
    peak: float
    previous: Frame | None = None
    reference: BeamProfile | None = None
    thresholds: Thresholds = THRESHOLDS
    _known: dict[Callable[[Context], Any], Any] = field(default_factory=dict)

    @property
    def seen(self) -> Converged:
        """What the last round saw."""
        return self.settled.seen

    @property
    def noise(self) -> float:
        """Standard deviation of a dark pixel, in pixel values."""
        return self.settled.noise

    def once(self, compute: Callable[[Context], T]) -> T:
        """Return ``compute(self)``, which is called once however many checks ask for it."""
        if compute not in self._known:
            self._known[compute] = compute(self)
        return cast(T, self._known[compute])


def outline(context: Context) -> Polar | None:
    """Return the beam along rays; None where it is too narrow or too faint for an outline."""
    polar = Polar.of(context.ready, context.seen, context.noise)
    return polar if resolved(polar, max(context.ready.pitch), context.thresholds) else None


def resolved(polar: Polar, pixel: float, limits: Thresholds) -> bool:
    """Tell whether the beam is wide and bright enough for an outline.

    ``pixel`` is the larger side of a pixel, mm.
    """
    bright = polar.top > 0 and polar.top >= limits.outline_faint * polar.noise
    return bool(bright and polar.half_width.min() >= limits.outline_narrow * pixel)
