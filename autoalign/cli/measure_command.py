"""``autoalign measure``: the beam in pictures, or on a bench that is not moved."""

from __future__ import annotations

from collections.abc import Sequence
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Literal

from cyclopts import Parameter

from autoalign.cli.numbers import Amount, listed_amounts, option_value

if TYPE_CHECKING:
    import numpy as np
    import numpy.typing as npt

    from autoalign.cli.explaining import Collimator
    from autoalign.cli.profiles import Measured
    from autoalign.cli.standard_figures import Figures
    from autoalign.core.frames import Frame
    from autoalign.pictures import Channel, Picture

__all__ = ["measure"]

Flag = Annotated[bool, Parameter(negative="")]

_WIDEST_PIXEL = 100.0
"""The largest size of a pixel at its plane, mm; beyond it is a slip of the unit."""


def measure(
    *places: str,
    pitch: Amount | None = None,
    bits: int | None = None,
    dark: Path | None = None,
    hot_map: Path | None = None,
    channel: Literal["red", "green", "blue"] | None = None,
    pictures: Path | None = None,
    explain: Flag = False,
    distances: Amount | None = None,
    focal_length: Amount | None = None,
    angle: Amount | None = None,
    aperture: Amount | None = None,
    core: Amount = "0 mm",
    na: Annotated[float | None, Parameter(allow_leading_hyphen=True)] = None,
    emission: Literal["multimode", "gaussian", "uniform"] = "multimode",
    caustic: Flag = False,
    wavelength: Amount | None = None,
    stability: Flag = False,
    distribution: Flag = False,
    json: Flag = False,
    csv: Flag = False,
) -> int:
    """Measure the beam in pictures, or on a bench, without moving anything.

    Second moments after ISO 11146-1 with standard uncertainties: centre, widths d_σ along the
    principal axes, azimuth, ellipticity; and flags with their evidence. Pixels are used as stored,
    never scaled, decoded or mixed; the output says what was done to read them. A file that is
    missing or cannot be read does not stop the others; the exit code is then 2.

    Parameters
    ----------
    places
        Pictures (PNG, TIFF, BMP, PGM, NPY, FITS with the extra "fits", or RAW with a JSON sidecar),
        folders or patterns; or one bench file (TOML).
    pitch
        Size of a pixel at the plane, for instance "5.5 um", or "5.5 um, 5.6 um" for x and y; one
        per file, in their order, with ";" between them: "0.125 mm; 0.258 mm". By default that of
        the sidecar; without either, lengths are in pixels.
    bits
        Bit depth of the camera, if the file could hold more; sets the saturation level.
    dark
        Dark frame: a picture from the same camera without the beam, to be subtracted.
    hot_map
        Picture of the camera's bad pixels: those that are not 0 are replaced.
    channel
        Channel of colour pictures to measure.
    pictures
        Folder for annotated pictures.
    explain
        Explain in words what is wrong with the frames, name the axes most likely misaligned, and
        by how much, and say what cannot be determined. Works for any bench with a layout. Pictures
        are explained as those of a collimator and need --distances, --focal-length, --angle and
        --pitch; --aperture, --core, --na, --emission and --wavelength say more of its light.
    distances
        Distances of the pictures' planes after the mirror, in their order: "0.4 m, 2.4 m". The
        fiducial is taken to be in the middle of each picture, with x to the right and y up.
    focal_length
        Reflected focal length of the mirror.
    angle
        Off-axis angle of the mirror.
    aperture
        Clear aperture of the mirror.
    core
        Core diameter of the source.
    na
        Numerical aperture of the source: sine of the half-angle at the edge of its emission. By
        default the width at the nearest plane gives it.
    emission
        Far field of the source, and the level at which its NA is given: "multimode" at 5 % of the
        centre, "gaussian" at 1/e², "uniform" at the hard edge.
    caustic
        Fit the widths of at least four planes along the beam: waist, divergence, Rayleigh length
        and M² after ISO 11146-1, with what the standard asks for and the frames lack. Pictures
        need --distances, --wavelength and --pitch.
    wavelength
        Wavelength of the light, for instance "633 nm".
    stability
        Scatter of the beam's centre over the frames, after ISO 11670; the frames must be of one
        plane.
    distribution
        Flatness, uniformity and steepness of the edge after ISO 13694, and the ellipse at half
        height, for each frame.
    json
        Print the result as JSON.
    csv
        Print the result as CSV.
    """
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    if not places:
        raise UsageError("nothing to measure: give pictures, a folder, or a bench file.")
    if json and csv:
        raise UsageError("--json and --csv exclude each other: choose one.")
    if len(places) == 1 and Path(places[0]).suffix.lower() == ".toml":
        from autoalign.cli.looking import look  # noqa: PLC0415

        if caustic or stability or distribution:
            raise UsageError(
                "--caustic, --stability and --distribution take pictures; save those of the bench, "
                "and give them."
            )
        return look(Path(places[0]), pictures, explained=explain, json=json, csv=csv)
    options = Options(pitches_of(pitch), bits, channel, centred=explain, tails=caustic)
    if not explain:
        many = _measure_files(places, options, dark, hot_map)
        draw(many, pictures)
        figures = None
        if caustic or stability or distribution:
            from autoalign.cli.standard_figures import figures_of  # noqa: PLC0415 - heavy

            asked = _of_caustic(distances, wavelength) if caustic else None
            figures = figures_of(
                many, caustic=asked, stability=stability, distribution=distribution
            )
        give(many, json=json, csv=csv, figures=figures)
    else:
        from autoalign.cli.explaining import Collimator  # noqa: PLC0415

        bench = Collimator.of_options(
            distances, focal_length, angle, aperture, core, na, emission, wavelength
        )
        many = _measure_files(places, options, dark, hot_map)
        if any(m.profile is not None and m.unit == "px" for m in many):
            raise UsageError('--explain needs the pixel pitch; for instance --pitch "60 um".')
        draw(many, pictures)
        _give_explained(many, bench, json=json, csv=csv)
    return 2 if any(m.problem for m in many) else 0


@dataclass(frozen=True, slots=True)
class Options:
    """How pictures are to be read: ``pitches`` (none, one, or one a file), and what else
    ``read_pictures`` wants to know."""

    pitches: tuple[tuple[float, float], ...]
    bit_depth: int | None
    channel: Channel | None
    centred: bool
    tails: bool = False

    def read(self, path: Path, number: int = 0) -> list[Picture]:
        """Return the pictures in file ``number``."""
        from autoalign.pictures import read_pictures  # noqa: PLC0415

        pitch = self.pitches[min(number, len(self.pitches) - 1)] if self.pitches else None
        return read_pictures(
            path,
            pitch=pitch,
            bit_depth=self.bit_depth,
            channel=self.channel,
            centred=self.centred,
        )


def pitches_of(text: str | None) -> tuple[tuple[float, float], ...]:
    """Read pixel pitches, mm: with ";" between them, each one length, or one for x and for y."""
    return () if text is None else tuple(_pitch_of(part) for part in text.split(";"))


def _pitch_of(text: str) -> tuple[float, float]:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    sizes = [option_value("--pitch", part, "mm") for part in listed_amounts("--pitch", text)]
    if len(sizes) > 2 or not all(0 < size <= _WIDEST_PIXEL for size in sizes):
        raise UsageError(
            f'--pitch {text!r}: give one length, or "x, y", each above 0 and up to '
            f"{_WIDEST_PIXEL:g} mm."
        )
    return sizes[0], sizes[-1]


def _of_caustic(distances: str | None, wavelength: str | None) -> tuple[list[float], float]:
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    if distances is None or wavelength is None:
        raise UsageError(
            '--caustic needs where the frames were taken and the wavelength: --distances "100 mm, '
            '150 mm, …" --wavelength "633 nm".'
        )
    places = [
        option_value("--distances", part, "mm") for part in listed_amounts("--distances", distances)
    ]
    return places, option_value("--wavelength", wavelength, "mm")


def give(
    many: Sequence[Measured], *, json: bool, csv: bool, figures: Figures | None = None
) -> None:
    """Print what was measured in the form asked for, and the ``figures`` of the standards."""
    from autoalign.cli.output import print_facts, print_text  # noqa: PLC0415
    from autoalign.cli.profiles import facts_of, print_csv, print_profiles  # noqa: PLC0415

    if json and figures is not None:
        print_facts({"frames": [facts_of(m) for m in many], **figures.facts()})
    elif json:
        print_facts([facts_of(m) for m in many])
    elif csv:
        print_csv(many)
    else:
        print_profiles(many)
        if figures is not None:
            print_text()
            figures.print()


def _give_explained(many: Sequence[Measured], bench: Collimator, *, json: bool, csv: bool) -> None:
    from autoalign.cli.explaining import explain_pictures, print_words  # noqa: PLC0415
    from autoalign.cli.output import print_facts  # noqa: PLC0415
    from autoalign.cli.profiles import facts_of  # noqa: PLC0415

    said = explain_pictures(many, bench)
    if json:
        frames = [facts_of(m) for m in many]
        print_facts({"frames": frames, "explanation": said.words, "axes": said.axes})
        return
    give(many, json=False, csv=csv)
    if not csv:
        print_words(said.words)


def draw(many: Sequence[Measured], folder: Path | None) -> None:
    """Write an annotated picture of every frame to ``folder``, if one is given."""
    if folder is None:
        return
    from autoalign.cli.output import picture_file, warn  # noqa: PLC0415
    from autoalign.report import draw_profile  # noqa: PLC0415

    folder.mkdir(parents=True, exist_ok=True)
    for number, m in enumerate(many, 1):
        if m.frame is not None and m.profile is not None:
            name = f"{number:03d}-{Path(m.name).stem}.png"
            place = picture_file("--pictures", folder / name)
            on = m.axes == "sensor"
            drawn = draw_profile(m.frame, m.profile, place, unit=m.unit, sensor=on)
            warn(f"Picture {drawn}")


def _measure_files(
    places: Sequence[str], options: Options, dark: Path | None, hot_map: Path | None
) -> list[Measured]:
    from autoalign.cli.profiles import Measured  # noqa: PLC0415
    from autoalign.cli.progress import telling  # noqa: PLC0415
    from autoalign.core.errors import FrameError, UsageError  # noqa: PLC0415

    without = _single(dark, options, "dark frame") if dark is not None else None
    bad = _single(hot_map, options, "hot-pixel map").pixels > 0 if hot_map is not None else None
    files, missing = _found(places)
    if len(options.pitches) > 1 and len(options.pitches) != len(files):
        raise UsageError(f"{len(options.pitches)} pitches for {len(files)} files; give one each.")
    many: list[Measured] = []
    with telling() as tell:
        for number, path in enumerate(files):
            if path in missing:
                many.append(Measured(str(path), "px", problem=missing[path]))
                continue
            tell(f"Measuring {path} ({number + 1} of {len(files)})")
            try:
                many += [_measured(p, without, bad, options) for p in options.read(path, number)]
            except FrameError as error:
                many.append(Measured(str(path), "px", problem=str(error)))
    return many


def _found(places: Sequence[str]) -> tuple[list[Path], dict[Path, str]]:
    """Return every file in its order, each once, and what is wrong with those that are missing."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.pictures import find_pictures  # noqa: PLC0415

    files: list[Path] = []
    missing: dict[Path, str] = {}
    for place in places:
        try:
            files += find_pictures([place])
        except UsageError as error:
            files.append(Path(place))
            missing[Path(place)] = str(error)
    return list(dict.fromkeys(files)), missing


def _single(path: Path, options: Options, what: str) -> Frame:
    from autoalign.core.errors import FrameError  # noqa: PLC0415

    pictures = options.read(path)
    if len(pictures) != 1:
        raise FrameError(f"{path}: {len(pictures)} pictures in it; a {what} is one.")
    return pictures[0].frame


def _measured(
    picture: Picture,
    dark: Frame | None,
    hot_map: npt.NDArray[np.bool_] | None,
    options: Options,
) -> Measured:
    from autoalign import measure_beam  # noqa: PLC0415
    from autoalign.cli.profiles import Measured  # noqa: PLC0415
    from autoalign.core.errors import FrameError  # noqa: PLC0415

    name, unit = picture.name, "mm" if picture.scaled else "px"
    try:
        profile = measure_beam(picture.frame, dark=dark, hot_map=hot_map, tails=options.tails)
    except FrameError as error:
        return Measured(name, unit, problem=f"{name}: {error}")
    axes: Literal["sensor", "middle"] = "middle" if options.centred else "sensor"
    return Measured(name, unit, picture.frame, profile, picture.notes, axes=axes)
