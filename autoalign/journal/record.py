"""What a report shows of a run, wherever the run was recorded."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import dataclass, field

import numpy as np

from autoalign.beam.profile import BeamProfile, Use
from autoalign.beam.standards.own_beam import OwnFigure
from autoalign.core.axes import Axis
from autoalign.core.frames import Frame
from autoalign.model.wavefront_forecast import WavefrontEstimate
from autoalign.spec.terms import Verdict

__all__ = ["FramePicture", "MeasurementRow", "MoveRow", "Outline", "RunRecord", "TermRow"]


@dataclass(frozen=True, slots=True)
class Outline:
    """The measured d_σ ellipse: ``centre`` mm, principal ``widths`` mm, ``azimuth`` rad.

    The azimuth is that of the first width, counted from x towards y, in the axes in which the
    centre is given.
    """

    centre: tuple[float, float]
    widths: tuple[float, float]
    azimuth: float

    @classmethod
    def of(cls, profile: BeamProfile) -> Outline:
        """Take the outline from a profile, in the profile's own axes."""
        return cls(profile.centroid, profile.widths, profile.azimuth)

    def turned(self, view: tuple[tuple[float, float], tuple[float, float]]) -> Outline:
        """Return the outline along the plane's axes (``view`` as in :class:`~autoalign.Frame`)."""
        matrix = np.asarray(view, dtype=float)
        x, y = matrix @ np.asarray(self.centre)
        along = matrix @ np.array([math.cos(self.azimuth), math.sin(self.azimuth)])
        angle = math.remainder(math.atan2(along[1], along[0]), math.pi)
        return Outline((float(x), float(y)), self.widths, angle)

    @property
    def half_box(self) -> tuple[float, float]:
        """Half width and half height of the upright box around the ellipse, mm."""
        a, b = self.widths[0] / 2, self.widths[1] / 2
        c, s = math.cos(self.azimuth), math.sin(self.azimuth)
        return math.hypot(a * c, b * s), math.hypot(a * s, b * c)


@dataclass(frozen=True, slots=True, eq=False)
class FramePicture:
    """A frame and, where it could be measured, its outline in the plane's axes (x level, y up).

    ``limited`` says that the flags leave the frame good for less than everything.
    """

    plane: str
    frame: Frame
    outline: Outline | None = None
    flags: tuple[str, ...] = ()
    limited: bool = False

    @property
    def remark(self) -> str:
        """The flags in words, and that they do no harm if so."""
        listed = ", ".join(self.flags)
        return listed if self.limited or not listed else f"{listed} (harmless)"

    @classmethod
    def of(cls, frame: Frame, profile: BeamProfile | None) -> FramePicture:
        """Pair a frame with its profile."""
        if profile is None:
            return cls(frame.plane, frame)
        return cls(
            frame.plane or profile.plane,
            frame,
            Outline.of(profile).turned(profile.view),
            tuple(map(str, profile.flags)),
            profile.use is not Use.ALL,
        )


@dataclass(frozen=True, slots=True)
class TermRow:
    """One term of one measurement, in its inner unit (mm, rad or 1)."""

    name: str
    unit: str
    value: float
    target: float
    tolerance: float
    uncertainty: float
    in_spec: bool

    @property
    def residual(self) -> float:
        """(value − target)/tolerance."""
        return (self.value - self.target) / self.tolerance


@dataclass(frozen=True, slots=True)
class MeasurementRow:
    """One measurement: ``time`` s since the start, ``positions`` mm or rad by axis, the verdict.

    ``merit`` is None and ``terms`` is empty if the spec could not be evaluated; ``failure`` then
    says why. ``kind`` says what the measurement was for, ``open_wavefront`` what the terms of a
    beam in spec do not show of its wavefront, and ``wavefront`` what the fit says of it.
    """

    number: int
    time: float
    positions: Mapping[str, float]
    merit: float | None = None
    terms: tuple[TermRow, ...] = ()
    in_spec: bool = False
    failure: str = ""
    kind: str = "search"
    open_wavefront: str = ""
    wavefront: WavefrontEstimate | None = None

    @classmethod
    def judged(
        cls,
        number: int,
        time: float,
        positions: Mapping[str, float],
        verdict: Verdict,
        wavefront: WavefrontEstimate | None = None,
    ) -> MeasurementRow:
        """Make the row of a measurement whose spec could be evaluated."""
        terms = tuple(
            TermRow(t.name, t.unit, t.value, t.target, t.tolerance, t.uncertainty, t.in_spec)
            for t in verdict.terms
        )
        said = [str(f) for f in verdict.findings if f.code == "wavefront-open"]
        return cls(
            number, time, positions, verdict.merit, terms, verdict.in_spec,
            open_wavefront="; ".join(said), wavefront=wavefront,
        )  # fmt: skip


@dataclass(frozen=True, slots=True)
class MoveRow:
    """One move: what was intended, and what is known of how it ended (positions in ``unit``)."""

    time: float
    axis: str
    unit: str
    start: float | None
    target: float
    arrived: float | None
    outcome: str


@dataclass(frozen=True, slots=True, eq=False)
class RunRecord:
    """Everything that a report shows.

    ``probes[first]`` and ``probes[last]`` are the measurements before and after; ``last`` is None
    if nothing was measured after the last move, and then nothing is claimed. ``before`` and
    ``after`` are the pictures that belong to them, ``own_before`` and ``own_after`` what ISO 11146
    calls divergence and ellipticity. ``outcome`` says in a few words how the run ended ("in spec",
    "budget spent", "stopped" …), ``reason`` says more; ``remarks`` are what was wrong with the
    frames of the first measurement.
    """

    bench: str
    strategy: str
    outcome: str
    measurements: tuple[MeasurementRow, ...]
    moves: tuple[MoveRow, ...] = ()
    axes: tuple[Axis, ...] = ()
    before: tuple[FramePicture, ...] = ()
    after: tuple[FramePicture, ...] = ()
    reason: str = ""
    first: int = 0
    last: int | None = -1
    guard: float | None = None
    started: str = ""
    duration: float | None = None
    locked: tuple[str, ...] = ()
    distances: Mapping[str, float] = field(default_factory=dict)
    wavelengths: tuple[float, ...] = ()
    simulated: bool = False
    notes: tuple[str, ...] = ()
    remarks: tuple[str, ...] = ()
    own_before: tuple[OwnFigure, ...] = ()
    own_after: tuple[OwnFigure, ...] = ()
    provenance: Mapping[str, str] = field(default_factory=dict)

    @property
    def before_probe(self) -> MeasurementRow | None:
        """The measurement that the run began with."""
        return self.measurements[self.first] if self.measurements else None

    @property
    def after_probe(self) -> MeasurementRow | None:
        """The final check after the last move, or None."""
        return self.measurements[self.last] if self.measurements and self.last is not None else None

    @property
    def move_count(self) -> int:
        """Number of moves; axes that moved together count as one."""
        return len({m.time for m in self.moves})

    @property
    def in_spec(self) -> bool:
        """Whether the run ended in spec and a measurement after the last move shows it."""
        after = self.after_probe
        return self.outcome == "in spec" and after is not None and after.in_spec
