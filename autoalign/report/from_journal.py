"""From a run's journal to what a report shows."""

from __future__ import annotations

import io
from collections.abc import Iterator, Mapping
from datetime import datetime
from typing import Any

import numpy as np
from PIL import Image

from autoalign.beam.profile import FlagKind
from autoalign.beam.standards.own_beam import OwnFigure, own_beam
from autoalign.core.axes import Axis
from autoalign.core.frames import Frame
from autoalign.diagnosis.remarks import remarks
from autoalign.journal import JournalRun, MeasurementRecord, MoveRecord, Thumbnail
from autoalign.journal.record import FramePicture, MeasurementRow, MoveRow, RunRecord

__all__ = ["frame_of", "record_of"]

_SHOWN_ELSEWHERE = {"bench", "strategy", "wall", "simulated"}


def record_of(run: JournalRun) -> RunRecord:
    """Return the report's record of ``run``, also of one that never finished."""
    bench = _bench(run)
    begin = min([*(p.time for p in run.measurements), *(m.time for m in run.moves)], default=0.0)
    measurements = tuple(_probe(look, begin) for look in run.measurements)
    finish = run.finish or {}
    layout = bench.get("layout") or {}
    end = finish.get("time")
    axes = tuple(_axes(bench))
    return RunRecord(
        bench=str(bench.get("name", "without a name")),
        strategy=str(run.run.get("strategy", "unknown")),
        outcome=str(finish.get("status", "interrupted")),
        measurements=measurements,
        moves=tuple(row for m in run.moves for row in _moves(m, begin, axes)),
        axes=axes,
        before=_pictures(run.measurements[0]) if run.measurements else (),
        after=_pictures(run.measurements[-1]) if run.measurements else (),
        reason=str(finish.get("reason", _no_end(run))),
        last=-1 if run.measurements and not _moved_since(run) else None,
        guard=_number((bench.get("spec") or {}).get("guard")),
        started=_wall(run.run.get("wall", "")),
        duration=None if end is None else float(end) - begin,
        locked=tuple(map(str, bench.get("locked") or ())),
        distances={str(p["name"]): float(p["distance"]) for p in layout.get("planes") or ()},
        wavelengths=_wavelengths(layout.get("light") or {}),
        simulated=bool(run.run.get("simulated") or bench.get("simulated")),
        notes=(
            *(str(note.get("text", "")) for note in run.notes if note.get("text")),
            *(f"Journal damaged: {d}" for d in run.damage),
        ),
        remarks=_remarks(run.measurements[0]) if run.measurements else (),
        own_before=_own(run.measurements[0], layout) if run.measurements else (),
        own_after=_own(run.measurements[-1], layout) if run.measurements else (),
        provenance=dict(_flat(run)),
    )


def frame_of(thumbnail: Thumbnail) -> Frame:
    """Return the reduced frame with its pixels back at the camera's values."""
    with Image.open(io.BytesIO(thumbnail.png)) as image:
        grey = np.asarray(image, dtype=np.float32)
    pixels = thumbnail.black + grey / np.float32(255.0) * (thumbnail.white - thumbnail.black)
    return Frame(
        pixels.astype(np.float32), pitch=thumbnail.pitch, origin=thumbnail.origin,
        plane=thumbnail.plane, view=thumbnail.view,
    )  # fmt: skip


def _wavelengths(light: Mapping[str, Any]) -> tuple[float, ...]:
    """Return the wavelengths of a journalled light, mm."""
    several = [light.get("wavelength"), *(line[0] for line in light.get("others") or ())]
    return tuple(float(w) for w in several if w is not None)


def _bench(run: JournalRun) -> Mapping[str, Any]:
    bench = run.run.get("bench", {})
    return bench if isinstance(bench, Mapping) else {"name": bench}


def _axes(bench: Mapping[str, Any]) -> Iterator[Axis]:
    for given in bench.get("axes") or ():
        yield Axis(**given)


def _probe(look: MeasurementRecord, begin: float) -> MeasurementRow:
    seen = look.measurement
    time = look.time - begin
    if seen.verdict is None:
        return MeasurementRow(look.number, time, look.positions, failure=seen.failure)
    return MeasurementRow.judged(look.number, time, look.positions, seen.verdict, seen.wavefront)


def _moves(move: MoveRecord, begin: float, axes: tuple[Axis, ...]) -> Iterator[MoveRow]:
    units: dict[str, str] = {a.name: a.unit for a in axes}
    words = move.status or "never recorded"
    outcome = f"{words}: {move.message}" if move.message else words
    for axis, target in move.targets.items():
        yield MoveRow(
            move.time - begin, axis, units.get(axis, "1"), move.start.get(axis), target,
            move.positions.get(axis), outcome,
        )  # fmt: skip


def _pictures(look: MeasurementRecord) -> tuple[FramePicture, ...]:
    profiles = look.measurement.profiles
    return tuple(FramePicture.of(frame_of(t), profiles.get(p)) for p, t in look.thumbnails.items())


def _remarks(look: MeasurementRecord) -> tuple[str, ...]:
    """Return what was wrong with the frames; hot pixels, which are replaced, do not matter."""
    found = remarks(look.measurement.profiles)
    return tuple(r.sentence for r in found if r.kind is not FlagKind.HOT_PIXELS)


def _no_end(run: JournalRun) -> str:
    if run.whole:
        return "the journal has no end: the run was cut off"
    return "the end of the journal cannot be read: it is damaged, or the run was cut off"


def _own(look: MeasurementRecord, layout: Mapping[str, Any]) -> tuple[OwnFigure, ...]:
    """Return what ISO 11146 calls divergence and ellipticity of one measurement."""
    distances = {str(p["name"]): float(p["distance"]) for p in layout.get("planes") or ()}
    wavelengths = _wavelengths(layout.get("light") or {})
    wavelength = wavelengths[0] if len(wavelengths) == 1 else None
    return own_beam(look.measurement.profiles, distances, wavelength, _by_design(layout))


def _by_design(layout: Mapping[str, Any]) -> float | None:
    """Return the full divergence of a collimated source by its size, core over focal length, rad.

    None for every other bench.
    """
    core = (layout.get("light") or {}).get("core_diameter")
    elements = layout.get("elements") or ()
    surface = elements[0].get("surface") or {} if elements else {}
    length = surface.get("reflected_focal_length")
    if layout.get("kind") != "collimator" or not core or not length:
        return None
    return float(core) / float(length)


def _moved_since(run: JournalRun) -> bool:
    last = run.measurements[-1].time
    return any(m.time > last for m in run.moves)


def _number(value: Any) -> float | None:
    return None if value is None else float(value)


def _wall(text: str) -> str:
    try:
        return f"{datetime.fromisoformat(text):%Y-%m-%d %H:%M:%S %Z}".strip()
    except ValueError:
        return text


def _flat(run: JournalRun) -> Iterator[tuple[str, str]]:
    """Yield what is left of the run's description, one level deep, as text."""
    for key, value in run.run.items():
        if key in _SHOWN_ELSEWHERE or value in (None, []):
            continue
        if isinstance(value, Mapping):
            prefix = "" if key == "versions" else f"{key}: "
            yield from ((prefix + k, str(v)) for k, v in value.items())
        else:
            yield key, ", ".join(map(str, value)) if isinstance(value, list) else str(value)
    yield "journal", run.path.name
