"""One call from a bench to a measurement; nothing is moved."""

from __future__ import annotations

from collections.abc import Callable, Mapping
from typing import TYPE_CHECKING, Any

import numpy as np

from autoalign.beam.profile import BeamProfile
from autoalign.bench import Bench
from autoalign.run.calibration_file import CalibrationFile
from autoalign.run.compose import Run
from autoalign.run.execute import Event, StopFlag
from autoalign.session.evaluate import Evaluator, SingleMeasurement, weighed
from autoalign.spec.terms import Spec
from autoalign.strategies.base import Measurement

if TYPE_CHECKING:
    from autoalign.diagnosis.estimator import Knowledge

__all__ = ["judged", "measure_bench"]


def measure_bench(
    bench: Bench,
    spec: Spec | None = None,
    *,
    calibration: Any = None,
    progress: Callable[[Event], None] | None = None,
    stop: StopFlag | None = None,
) -> Measurement:
    """Measure the beam on ``bench`` once and judge it; nothing is moved.

    Exposures, evaluation and every veto are those of an alignment, so that both say the same of
    one beam.

    Parameters
    ----------
    bench
        What to measure.
    spec
        What the beam must meet; the bench's own where not given. Without either there is no
        verdict.
    calibration
        What is kept of this bench from earlier runs, or the file of it.
    progress, stop
        See :class:`~autoalign.run.execute.Conductor`.

    Raises
    ------
    AlignError
        For hardware that misbehaves. A beam that cannot be judged is no error.
    """
    spec = spec or bench.spec
    script = SingleMeasurement(
        bench.axes,
        bench.settle,
        bench.frames,
        _evaluator(bench, spec),
        bench.layout,
        lambda: _known(bench, spec, calibration),
    )
    run = Run(bench, script, "measure", progress=progress, stop=stop)
    run.start()
    run.carry_out()
    assert script.last is not None
    run.end(script.last)
    return script.last


def judged(
    bench: Bench,
    positions: Mapping[str, float],
    profiles: Mapping[str, BeamProfile],
    numbers: Mapping[str, tuple[float, float]],
) -> Measurement:
    """Return profiles that were taken already as a measurement, judged like every other.

    ``positions`` in mm or rad by axis, ``profiles`` by plane, ``numbers`` value and standard
    uncertainty by "plane.name".
    """
    place = np.array([positions[name] for name in bench.free_axes], dtype=np.float64)
    seen = _evaluator(bench, bench.spec).judge(Measurement(place, dict(profiles)), numbers)
    return weighed(seen, lambda: _known(bench, bench.spec), bench.layout, bench.spec)


def _evaluator(bench: Bench, spec: Spec | None) -> Evaluator:
    from autoalign.beam.combine import combine  # noqa: PLC0415 - heavy
    from autoalign.beam.frame.analyse import measure_beam  # noqa: PLC0415

    return Evaluator(
        spec, bench.distances, tuple(bench.free_axes), measure_beam, combine, bench.uncertainties
    )


def _known(bench: Bench, spec: Spec | None, calibration: Any = None) -> Knowledge:
    from autoalign.diagnosis.estimator import Knowledge  # noqa: PLC0415 - heavy

    assert bench.layout is not None
    assert spec is not None
    free = list(bench.free_axes.values())
    kept = CalibrationFile(bench, calibration).data
    return Knowledge(bench.layout, free, spec, bench.uncertainties, kept)
