"""``autoalign plan``: where everything goes, before anything is bolted down."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from autoalign.cli.numbers import Amount, option_length, option_value
from autoalign.cli.output import page_file, picture_file
from autoalign.cli.progress import telling

if TYPE_CHECKING:
    from autoalign.config import BenchFile
    from autoalign.core.axes import Axis
    from autoalign.optics.layout import Layout
    from autoalign.spec.terms import Spec

    _Bench = tuple[
        Layout, Spec, dict[str, Axis], tuple[str, ...], dict[str, float], dict[str, float]
    ]

__all__ = ["Optic", "plan"]


@Parameter(name="*")
@dataclass(frozen=True, slots=True)
class Optic:
    """A collimator given by its numbers instead of a bench file.

    Parameters
    ----------
    focal_length
        Reflected focal length, from the mirror's centre to the focus, for instance "150 mm".
    angle
        Off-axis angle, for instance "35 deg".
    aperture
        Clear aperture of the mirror.
    core
        Diameter of the fibre core or pinhole.
    na
        Numerical aperture of the source: sine of the half-angle at the edge of its emission.
    emission
        Far field of the source, and the level at which its NA is given: "multimode" at 5 % of the
        centre, "gaussian" at 1/e², "uniform" at the hard edge.
    wavelength
        Wavelength of the light.
    near
        Distance of the near plane after the mirror.
    far
        Distance of the far plane after the mirror.
    """

    focal_length: Amount | None = None
    angle: Amount | None = None
    aperture: Amount = "25.4 mm"
    core: Amount = "100 um"
    na: Annotated[float, Parameter(allow_leading_hyphen=True)] = 0.12
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode"
    wavelength: Amount = "660 nm"
    near: Amount = "0.4 m"
    far: Amount = "2.4 m"


_NO_OPTIC = Optic()
_LENGTHS = ("focal_length", "aperture", "core", "wavelength", "near", "far")


def plan(
    bench: Path | None = None,
    /,
    *,
    optic: Optic = _NO_OPTIC,
    view: Amount | None = None,
    placement: Amount = "0.5 mm, 5 mrad",
    drawing: Path | None = None,
    symptoms: Path | None = None,
    template: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Print where everything on a bench goes, and what its axes need to do.

    Lists the focal lengths, the off-axis distance, positions, heights and beam diameters; how each
    axis moves the spot, and the resolution and travel that the spec requires; what no detector can
    measure; and recommendations. Takes a bench file, or a collimator's numbers as options.

    Parameters
    ----------
    bench
        Bench file (TOML).
    view
        Field of view of the cameras at their planes, by default "60 mm": one side of a square, or
        width and height, "60 x 45 mm"; the same for all planes, or one for each, as in "near=40 x
        30 mm, far=60 mm".
    placement
        Standard uncertainties of placing parts by hand before the first measurement, a length and
        an angle; they determine the travel. At most "100 mm, 500 mrad".
    drawing
        Write a drawing to scale as a PNG file.
    symptoms
        Write an HTML page with pictures of what each misaligned axis does to the beam, and the
        possible causes of each symptom.
    template
        Only print an annotated bench file, to be filled in for your own bench.
    json
        Print the result as JSON.
    """
    from autoalign.cli.output import print_facts, print_text  # noqa: PLC0415

    if template:
        from autoalign.config import example  # noqa: PLC0415

        print_text(example("own-bench").read_text(encoding="utf-8").rstrip(), wrap=False)
        return 0
    from autoalign.cli.plan_output import Surroundings, make_plan, print_plan  # noqa: PLC0415 - heavy

    if drawing is not None:
        picture_file("--drawing", drawing)
    if symptoms is not None:
        page_file("--symptoms", symptoms)
    layout, spec, axes, locked, pitches, known = (
        _from_file(bench) if bench is not None else _from_numbers(optic)
    )
    if bench is not None and optic != _NO_OPTIC:
        raise _both(optic)
    around = Surroundings(view, placement, pitches)
    made = make_plan(layout, spec, around, locked, known)
    drawn = None
    if drawing is not None:
        from autoalign.report import draw_plan  # noqa: PLC0415

        drawn = draw_plan(layout, drawing)
    page = None
    if symptoms is not None:
        from autoalign.report import write_symptoms  # noqa: PLC0415

        name = bench.stem if bench is not None else ""
        with telling(every=0) as tell:
            page = write_symptoms(layout, symptoms, name, lambda axis: tell(f"Tracing {axis}"))
    if json:
        print_facts({**made.facts(), "drawing": drawn, "symptoms": page})
    else:
        print_plan(made, layout, axes, around, {"Drawing": drawn, "Symptoms": page})
    return 0


def _from_file(path: Path) -> _Bench:
    from autoalign.config import read_bench_file  # noqa: PLC0415
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    file = read_bench_file(path)
    if file.layout is None or file.spec is None:
        lacks = "the optics" if file.layout is None else "a [spec] table"
        raise UsageError(f"{path}: a plan needs {lacks} in the bench file; add it.")
    axes = {a.name: a for stage in file.axes.values() for a in stage}
    known = {k: q.value for k, q in file.tables.uncertainties.items()}
    locked = tuple(file.tables.bench.locked)
    return file.layout, file.spec, axes, locked, _pitches(file), known


def _pitches(file: BenchFile) -> dict[str, float]:
    """Return the size of a pixel at each plane, mm, where the file says it."""
    found = {}
    for name, table in file.tables.detectors.items():
        settings = file.fitted.detectors[name][1] if name in file.fitted.detectors else None
        pitch = getattr(settings, "pitch", None)
        if isinstance(pitch, float) and pitch > 0:
            found[table.plane] = pitch
    return found


def _from_numbers(optic: Optic) -> _Bench:
    import math  # noqa: PLC0415

    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.optics.paraboloid import OffAxisParaboloid  # noqa: PLC0415
    from autoalign.optics.standard_layouts import collimator_layout  # noqa: PLC0415
    from autoalign.plan.planning import source_divergence  # noqa: PLC0415
    from autoalign.spec.terms import Spec  # noqa: PLC0415

    if optic.focal_length is None or optic.angle is None:
        raise UsageError(
            "a plan needs a bench file, or at least --focal-length and --angle. Example: "
            'autoalign plan --focal-length "150 mm" --angle "35 deg".'
        )
    length = {name: option_length(name, getattr(optic, name)) for name in _LENGTHS}
    rho, core = length["focal_length"], length["core"]
    angle = math.degrees(option_value("--angle", optic.angle, "rad"))
    layout = collimator_layout(
        OffAxisParaboloid(rho, angle, length["aperture"]),
        core,
        optic.na,
        length["wavelength"],
        planes=(("near", length["near"]), ("far", length["far"])),
        emission=optic.emission,
    )
    spec = Spec.collimation(source_divergence=source_divergence(layout), waist=rho)
    return layout, spec, {}, (), {}, {}


def _both(optic: Optic) -> Exception:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    given = [
        f"--{field.name.replace('_', '-')}"
        for field in dataclasses.fields(optic)
        if getattr(optic, field.name) != field.default
    ]
    return UsageError(
        f"a bench file and {', '.join(given)} exclude each other: change the numbers in the bench "
        "file instead."
    )
