"""``autoalign plan``: where everything goes before anything is bolted down."""

from __future__ import annotations

import dataclasses
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from autoalign.cli.numbers import Amount, option_length, option_value
from autoalign.cli.outputs import page_file, picture_file

if TYPE_CHECKING:
    from autoalign.config import BenchFile
    from autoalign.core.axes import Axis
    from autoalign.optics.layout import Layout
    from autoalign.spec.terms import Spec

    _Bench = tuple[Layout, Spec, dict[str, Axis], tuple[str, ...], dict[str, float]]

__all__ = ["Optic", "plan"]


@Parameter(name="*")
@dataclass(frozen=True, slots=True)
class Optic:
    """A collimator by its numbers, where there is no bench file.

    Parameters
    ----------
    focal_length
        Reflected focal length: mirror centre to focus, for instance "150 mm".
    angle
        Off-axis angle, for instance "35 deg".
    aperture
        Clear aperture of the mirror.
    core
        Diameter of the fibre's core or of the pinhole.
    na
        Numerical aperture of the source: sine of the half-angle at the edge of its emission.
    emission
        How the source shines, and where its NA is taken: "multimode" at 5 % of the centre,
        "gaussian" at 1/e², "uniform" at the hard edge.
    wavelength
        Of the light.
    near
        Distance of the near screen after the mirror.
    far
        Distance of the far screen.
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
    """Print where everything on a bench goes, and what its axes must be able to do.

    Parent and reflected focal length, off-axis distance, where the source stands, heights, beam
    diameters; which way each axis moves the spot, the steps and the travel that the spec needs;
    what no detector can see; and what to change on paper. Takes a bench file, or a collimator's
    numbers as options.

    Parameters
    ----------
    bench
        Bench file (TOML).
    view
        Side of the field that the cameras see at their planes, "60 mm" where not given, or its
        width and height, "60 x 45 mm": one for all, or one for each plane, such as
        "near=40 x 30 mm, far=60 mm".
    placement
        How well parts are placed by hand before the first look: a length and an angle, standard
        uncertainties, from which the travel follows; at the most "100 mm, 500 mrad".
    drawing
        Write a drawing to scale as PNG; its name ends in .png.
    symptoms
        Write what each axis does to the beam, and what a deviation may mean, as an HTML page with
        pictures.
    template
        Print an annotated bench file to fill in for a bench of one's own, and nothing else.
    json
        Print facts as JSON.
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
    layout, spec, axes, hold, pitches = (
        _from_file(bench) if bench is not None else _from_numbers(optic)
    )
    if bench is not None and optic != _NO_OPTIC:
        raise _both(optic)
    around = Surroundings(view, placement, pitches)
    made = make_plan(layout, spec, around, hold)
    drawn = None
    if drawing is not None:
        from autoalign.report import draw_plan  # noqa: PLC0415

        drawn = draw_plan(layout, drawing)
    page = None
    if symptoms is not None:
        from autoalign.report import write_symptoms  # noqa: PLC0415

        page = write_symptoms(layout, symptoms, bench.stem if bench is not None else "")
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
        lacks = "optics" if file.layout is None else "[spec]"
        raise UsageError(f"{path}: a plan needs the bench's {lacks}; add the table.")
    axes = {a.name: a for stage in file.axes.values() for a in stage}
    return file.layout, file.spec, axes, tuple(file.tables.bench.hold), _pitches(file)


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
    from autoalign.spec.terms import Spec  # noqa: PLC0415

    if optic.focal_length is None or optic.angle is None:
        raise UsageError(
            "a plan needs a bench file, or at least --focal-length and --angle; for instance "
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
    return layout, Spec.collimation(source_divergence=core / rho, waist=rho), {}, (), {}


def _both(optic: Optic) -> Exception:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    given = [
        f"--{field.name.replace('_', '-')}"
        for field in dataclasses.fields(optic)
        if getattr(optic, field.name) != field.default
    ]
    return UsageError(
        f"a bench file and {', '.join(given)}: give one or the other, and change the numbers in "
        "the file."
    )
