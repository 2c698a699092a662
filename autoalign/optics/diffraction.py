"""Diffraction images of a pupil: by FFT, by a matrix Fourier zoom, and with a finite source.

Sampling rules. W may change by at most half a wave between neighbouring pupil points
(:attr:`.Pupil.phase_step`), or the field aliases: an error says so. An FFT of the pupil padded
``pad`` times has points λR/(pad·n·step) apart, pad ≥ 2 for an image that is sampled to its band
limit, and repeats after λR/step. The matrix Fourier transform (R. Soummer et al., Opt. Express 15,
15935, 2007) has any spacing; it must stay inside that period.
"""

from __future__ import annotations

from dataclasses import dataclass, replace

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError
from autoalign.optics.layout import Lines
from autoalign.optics.pupil import Pupil

__all__ = [
    "DiffractionImage",
    "coloured_image",
    "encircled_energy",
    "fft_image",
    "needs_diffraction",
    "strehl",
    "with_source",
    "zoom_image",
]

Floats = npt.NDArray[np.float64]

GEOMETRIC_BLUR = 10.0
"""A geometric blur of this many λN makes diffraction negligible (under 1 % of the width)."""


@dataclass(frozen=True, slots=True, eq=False)
class DiffractionImage:
    """An image: ``values`` (rows along y, columns along x), power 1 in the whole plane.

    ``step`` between points and ``centre`` (x, y) of the middle point (rows//2, columns//2), mm in
    the image plane about the pupil's image point, or rad.
    """

    values: Floats
    step: float
    centre: tuple[float, float] = (0.0, 0.0)

    @property
    def x(self) -> Floats:
        """(columns,) coordinates."""
        return _axis(self.values.shape[1], self.step, self.centre[0])

    @property
    def y(self) -> Floats:
        """(rows,) coordinates."""
        return _axis(self.values.shape[0], self.step, self.centre[1])

    @property
    def peak(self) -> float:
        """Largest value, 1/mm² or 1/rad²."""
        return float(self.values.max())

    @property
    def captured(self) -> float:
        """The part of the power that the image holds."""
        return float(self.values.sum()) * self.step**2

    @property
    def centroid(self) -> tuple[float, float]:
        """First moments (x, y) of what the image holds."""
        total = self.values.sum()
        return (
            float(self.values.sum(axis=0) @ self.x / total),
            float(self.values.sum(axis=1) @ self.y / total),
        )


def fft_image(pupil: Pupil, pad: int = 4) -> DiffractionImage:
    """Return the image by FFT of the pupil padded ``pad`` (at least 2) times."""
    if pad < 2:
        raise UsageError(f"fft image: pad {pad!r}; at least 2 is needed to sample the image.")
    _check_phase(pupil)
    n = pupil.samples
    size = pad * n
    field = np.zeros((size, size), complex)
    low = size // 2 - n // 2
    field[low : low + n, low : low + n] = pupil.field
    far = np.fft.fftshift(np.fft.fft2(np.fft.ifftshift(field)))
    step = pupil.wavelength * pupil.reach / (size * pupil.step)
    return DiffractionImage(_normalised(far, pupil), step)


def zoom_image(
    pupil: Pupil, half_width: float, count: int = 256, centre: tuple[float, float] = (0.0, 0.0)
) -> DiffractionImage:
    """Return ``count`` × ``count`` points of the image within ``half_width`` of ``centre``.

    Raises
    ------
    UsageError
        Where the window reaches past half a period λR/step, beyond which the image repeats.
    """
    _check_phase(pupil)
    period = pupil.wavelength * pupil.reach / pupil.step
    if max(abs(centre[0]), abs(centre[1])) + half_width > period / 2:
        raise UsageError(
            f"zoom image: {half_width:g} about {centre} reaches past {period / 2:g}, where the "
            "image of this pupil grid repeats; take more pupil samples or a smaller window."
        )
    step = 2 * half_width / count
    scale = -2j * np.pi / (pupil.wavelength * pupil.reach)
    columns = np.exp(scale * np.outer(pupil.axis, _axis(count, step, centre[0])))
    rows = np.exp(scale * np.outer(_axis(count, step, centre[1]), pupil.axis))
    return DiffractionImage(_normalised(rows @ pupil.field @ columns, pupil), step, centre)


def coloured_image(
    pupil: Pupil,
    lines: Lines,
    half_width: float,
    count: int = 256,
    centre: tuple[float, float] = (0.0, 0.0),
) -> DiffractionImage:
    """Return the image in the light of several wavelengths: the images of each, added up.

    ``lines`` are (wavelength, mm, share of the power), see :attr:`.Source.lines`; the other
    arguments are those of :func:`zoom_image`. Paths, mm, are the same for all: mirrors alone.
    """
    images = [zoom_image(replace(pupil, wavelength=w), half_width, count, centre) for w, _ in lines]
    values = sum(share * image.values for (_, share), image in zip(lines, images, strict=True))
    return replace(images[0], values=np.asarray(values))


def strehl(pupil: Pupil, remove: int = 3) -> float:
    """Return the Strehl ratio on axis, without piston and tilt (3), also without focus (4).

    |Σ A exp(ikW)|²/(Σ A)²; ``remove`` 1 keeps the tilt as it is.
    """
    rest = pupil.without(remove)
    return float(abs(rest.field.sum()) ** 2 / (pupil.amplitude * pupil.coverage).sum() ** 2)


def encircled_energy(
    image: DiffractionImage, radii: npt.ArrayLike, centre: tuple[float, float] | None = None
) -> Floats:
    """Return the power within circles of ``radii`` (k,) about ``centre`` (None: the centroid).

    As part of the whole plane's power; by quadrature on circles of a spline through the image,
    good to 1e-5 for three points per λN or more.

    Raises
    ------
    UsageError
        Where a circle reaches out of the image.
    """
    from scipy.ndimage import map_coordinates, spline_filter  # noqa: PLC0415  (heavy; only where needed)

    wanted = np.atleast_1d(np.asarray(radii, dtype=float))
    at = image.centroid if centre is None else centre
    column = (at[0] - image.x[0]) / image.step
    row = (at[1] - image.y[0]) / image.step
    rows, columns = image.values.shape
    room = min(column, row, columns - 1 - column, rows - 1 - row) * image.step
    if wanted.max() > room:
        raise UsageError(
            f"encircled energy: a circle of radius {wanted.max():g} about {at} leaves the image, "
            f"which has room for {room:g}; take a wider image."
        )
    spline = spline_filter(image.values, order=5)
    energies = []
    for radius in wanted / image.step:
        nodes, weights = np.polynomial.legendre.leggauss(24 + int(radius))
        r = (nodes + 1) / 2 * radius
        angle = 2 * np.pi * np.arange(48 + 4 * int(radius)) / (48 + 4 * int(radius))
        points = [row + r[:, None] * np.sin(angle), column + r[:, None] * np.cos(angle)]
        ring = map_coordinates(spline, points, order=5, prefilter=False).mean(axis=1)
        energies.append(np.pi * radius * np.sum(weights * r * ring))
    return np.array(energies) * image.step**2


def with_source(
    image: DiffractionImage, diameter: float, magnification: npt.ArrayLike = 1.0
) -> DiffractionImage:
    """Return ``image`` convolved with the image of a uniform disk source.

    ``diameter`` mm of the source; ``magnification`` a number or the (2, 2) matrix that carries
    places on the source's face into places in the image.

    Raises
    ------
    UsageError
        Where the source's image does not fit into the window.
    """
    from scipy.special import j1  # noqa: PLC0415  (heavy; only where needed)

    matrix = np.asarray(magnification, dtype=float)
    matrix = matrix * np.eye(2) if matrix.ndim == 0 else matrix
    extent = float(np.linalg.norm(matrix, 2)) * diameter
    window = min(image.values.shape) * image.step
    if extent > window / 2:
        raise UsageError(
            f"source image of {extent:g} in a window of {window:g}: it wraps around; take a window "
            "at least twice as wide as the source's image."
        )
    ky = np.fft.fftfreq(image.values.shape[0], image.step)[:, None]
    kx = np.fft.rfftfreq(image.values.shape[1], image.step)[None, :]
    k = np.hypot(matrix[0, 0] * kx + matrix[1, 0] * ky, matrix[0, 1] * kx + matrix[1, 1] * ky)
    argument = np.pi * diameter * k
    transfer = np.ones_like(argument)
    np.divide(2 * j1(argument), argument, out=transfer, where=argument > 1e-9)
    spectrum = np.fft.rfft2(image.values) * transfer
    return replace(image, values=np.fft.irfft2(spectrum, s=image.values.shape))


def needs_diffraction(blur: float, wavelength: float, f_number: float) -> bool:
    """Say whether an image must be made by diffraction, not by rays alone.

    ``blur`` is the geometric width d_σ of the image, mm, the source's image included. The rule: by
    rays alone from 10 λN on. Diffraction adds in quadrature about 1.3 λN to the width of the core,
    under 1 % there.
    """
    return blur < GEOMETRIC_BLUR * wavelength * f_number


def _axis(count: int, step: float, centre: float) -> Floats:
    return np.asarray((np.arange(count) - count // 2) * step + centre)


def _normalised(field: npt.NDArray[np.complex128], pupil: Pupil) -> Floats:
    """|field|² such that it integrates to 1 over the whole plane (Parseval).

    Cells on the pupil's edge hold their part of the power, although the mean field in them, which
    makes the image, has less: what is missing lies beyond the image's period.
    """
    power = np.sum(pupil.amplitude**2 * pupil.coverage)
    scale = pupil.step / (pupil.wavelength * pupil.reach)
    return np.asarray(np.abs(field) ** 2 * scale**2 / power)


def _check_phase(pupil: Pupil) -> None:
    if pupil.phase_step > 0.5:
        raise UsageError(
            f"the wavefront changes by {pupil.phase_step:.2f} waves between pupil points (at most "
            "0.5 can be resolved): take more samples, remove tilt and focus first, or use rays."
        )
