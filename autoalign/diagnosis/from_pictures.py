"""What near and far frames say of a misaligned off-axis paraboloid, in words and numbers.

Small-angle relations of a section of reflected focal length ρ and off-axis angle α, b = α/2,
T = tan b, for a source moved t in plane, s out of plane, l towards the mirror, and a mirror tilted
by w: the wave has the curvature l/ρ² all round and the astigmatism T t/ρ² (0°) and T s/ρ² (45°);
the beam points along −t/ρ + 2w and −s/ρ. A tilt w has the astigmatism of t = −ρw, a turn of the
mirror about its normal that of s = ρ w sin b without any pointing.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.beam.parameters import BeamParameters
from autoalign.beam.profile import BeamProfile, FlagKind, Use
from autoalign.core.errors import UsageError
from autoalign.core.units import rounded
from autoalign.diagnosis.remarks import Remark, fill_words, remarks

__all__ = ["Deviation", "Diagnosis", "diagnose", "remaining"]

# What can be said of a collimator where not all frames are good: direction, or a side.

_SIDES = (("to the left (−x)", "to the right (+x)"), ("down (−y)", "up (+y)"))


def remaining(parameters: BeamParameters, reflected_focal_length: float) -> tuple[str, ...]:
    """Return what is still known, in sentences with 95 % intervals where there are two centres.

    A source moved by t turns the beam by −t/ρ, a mirror turned by w by 2w; which of them it was,
    only widths tell.
    """
    out = list(_pointing(parameters, reflected_focal_length))
    if not out:
        out = list(_one_plane(parameters))
    return (*out, *_sides(parameters))


def _pointing(parameters: BeamParameters, rho: float) -> Iterator[str]:
    cut = {_cut_along(p) for p in parameters.profiles.values()}
    for k, (axis, name) in enumerate((("x", "in plane"), ("y", "out of plane"))):
        if f"pointing_{axis}" not in parameters:
            return
        value, u = parameters[f"pointing_{axis}"], parameters.u(f"pointing_{axis}")
        if abs(value) < 2 * u:
            yield f"The beam points straight {name}, within ±{2e3 * u:.2g} mrad (95 %)."
            continue
        side = _SIDES[k][int(value > 0)]
        amount = f"{abs(value) * 1e3:.3g}"
        amount = f"at least {amount}" if k in cut else f"{amount} ± {2e3 * u:.2g}"
        yield (
            f"The beam points {amount} mrad {side}: either "
            f"the source is misaligned {name} by {abs(value) * rho:.3g} mm, or the mirror "
            "is turned by "
            f"{abs(value) * 500:.3g} mrad, or both in part."
        )


def _one_plane(parameters: BeamParameters) -> Iterator[str]:
    for plane, profile in parameters.profiles.items():
        if profile.use in (Use.NOTHING, Use.DIRECTION):
            continue
        (x, y), (ux, uy) = _centre(parameters, plane)
        yield (
            f"Only {plane} is left: the beam is at ({_within(x, 2 * ux)}, {_within(y, 2 * uy)}) mm "
            f"from the fiducial. One plane does not show where it points."
        )


def _within(value: float, reach: float) -> str:
    places = max(1 - math.floor(math.log10(reach)), 0) if reach > 0 else 3
    return f"{rounded(value, places)} ± {rounded(reach, places)}"


def _centre(
    parameters: BeamParameters, plane: str
) -> tuple[tuple[float, float], tuple[float, float]]:
    """Return the centre (x, y) at ``plane``, mm, and its standard uncertainties."""
    names = (f"{plane}.x", f"{plane}.y")
    return (
        (parameters[names[0]], parameters[names[1]]),
        (parameters.u(names[0]), parameters.u(names[1])),
    )


def _cut_along(profile: BeamProfile) -> int | None:
    """Along which axis (0 for x, 1 for y) part of the beam lies outside the frame; or None."""
    cut = FlagKind.CLIPPED_BY_SENSOR in profile.flags and profile.use is not Use.ALL
    if not (cut or profile.use is Use.DIRECTION):
        return None
    x, y = profile.in_plane_axes().centroid
    return int(abs(y) > abs(x))


def _sides(parameters: BeamParameters) -> Iterator[str]:
    for plane, profile in parameters.profiles.items():
        k = _cut_along(profile)
        if k is not None:
            side = _SIDES[k][int(profile.in_plane_axes().centroid[k] > 0)]
            yield (
                f"At {plane} the beam is too far {side}: steer it back so that the camera sees all "
                "of it."
            )


Floats = npt.NDArray[np.float64]

NEEDED = (
    "pointing_x", "pointing_y", "divergence_xx", "divergence_yy", "divergence_xy",
    "astigmatism_0", "astigmatism_45",
)  # fmt: skip


@dataclass(frozen=True, slots=True)
class Deviation:
    """One degree of freedom: ``value`` and standard ``uncertainty`` in ``unit`` (mm or rad).

    ``confidence`` (0.5 to 1) is the probability that it is off to the side that ``value`` says;
    ``sentence`` says it to a person.
    """

    name: str
    value: float
    uncertainty: float
    unit: str
    confidence: float
    sentence: str


@dataclass(frozen=True, slots=True)
class Diagnosis:
    """Diagnosis from several planes.

    ``remarks`` on the frames, ``findings`` by degree of freedom, ``fill`` of the aperture, what
    ``remains`` to be said where frames are missing or bad, and what cannot be determined.
    """

    findings: tuple[Deviation, ...]
    fill: str
    cannot_tell: tuple[str, ...]
    remarks: tuple[Remark, ...] = ()
    remains: tuple[str, ...] = ()

    def words(self) -> tuple[str, ...]:
        """Return every sentence: frames, surest finding first, fill, what cannot be determined.

        Hot pixels, which were replaced, are left out, and so is a hard edge, which ``fill`` tells.
        """
        left_out = (FlagKind.HOT_PIXELS, FlagKind.CLIPPED_BY_APERTURE)
        order = sorted(self.findings, key=lambda f: -abs(f.value) / max(f.uncertainty, 1e-300))
        return (
            *(r.sentence for r in self.remarks if r.kind not in left_out),
            *(f.sentence for f in order),
            *self.remains,
            self.fill,
            *self.cannot_tell,
        )


def diagnose(
    parameters: BeamParameters,
    *,
    reflected_focal_length: float,
    off_axis_angle: float,
    clear_aperture: float | None = None,
    source_divergence: float = 0.0,
    profiles: Mapping[str, BeamProfile] | None = None,
) -> Diagnosis:
    """Explain ``parameters`` of a collimator by the misalignment of its bench.

    Where the two end planes are not both good for widths, there are no findings, and what can
    still be said is in ``remains``.

    Parameters
    ----------
    parameters
        Of the planes behind the mirror.
    reflected_focal_length, clear_aperture, source_divergence
        mm, mm (None where unknown), rad (core over reflected focal length).
    off_axis_angle
        rad.
    profiles
        By plane, where some are so bad that ``parameters`` was made without them; None: its own.

    Raises
    ------
    UsageError
        For a focal length or an angle that is not larger than 0.
    """
    rho, slope = reflected_focal_length, math.tan(off_axis_angle / 2)
    if not (rho > 0 and slope > 0):
        raise UsageError("diagnosis: focal length and off-axis angle must be larger than 0.")
    fill = fill_words(parameters.profiles, parameters.distances, clear_aperture)
    seen = remarks(parameters.profiles if profiles is None else profiles)
    if any(n not in parameters for n in NEEDED):
        return Diagnosis((), fill, (_NO_WIDTHS,), seen, remaining(parameters, rho))
    matrix = _matrix(parameters, rho, slope)
    values, covariance = parameters.pick(NEEDED)
    floor = parameters.own_growth(source_divergence, rho, *_ends(parameters))
    values = values - np.array([0, 0, 1, 1, 0, 0, 0]) * floor
    amounts = matrix @ values
    u = np.sqrt(np.maximum(np.diag(matrix @ covariance @ matrix.T), 0.0))
    findings = tuple(
        _finding(row, float(amount), float(doubt))
        for row, amount, doubt in zip(_ROWS, amounts, u, strict=True)
    )
    length = parameters.distances[_ends(parameters)[1]] - parameters.distances[_ends(parameters)[0]]
    return Diagnosis(findings, fill, (*_CANNOT, _GIVEN.format(0.01 * rho**2 / length)), seen)


_ROWS = (
    ("defocus", "mm", "defocus: the source is {amount} too {close or far}, along its chief ray",
     "close to the mirror", "far from the mirror"),
    ("source in plane", "mm",
     "the source is misaligned by {amount} in the plane of incidence, {side}",
     "away from the parent axis", "towards the parent axis"),
    ("mirror tilt in plane", "rad",
     "the mirror is tilted by {amount} in the plane of incidence, {side}",
     "turning the beam towards +x", "turning the beam towards −x"),
    ("source out of plane", "mm",
     "if the clocking of the mirror is right, the source is misaligned by {amount} out of plane, "
     "{side}",
     "upwards", "downwards"),
    ("mirror tilt out of plane", "rad",
     "if the clocking of the mirror is right, the mirror is tilted {amount} out of plane, {side}",
     "turning the beam up", "turning the beam down"),
)  # fmt: skip

_CANNOT = (
    "Cannot be distinguished out of plane: wrong clocking of the mirror has the same effect as "
    "source and tilt together (two measured values, three degrees of freedom).",
    "Cannot be determined: a wrong fiducial at one plane has the effect of pointing, at both "
    "planes that of a shift of the whole bench.",
)

_GIVEN = (
    "± does not include errors of pixel sizes and distances: 1 % between the two pixel sizes has "
    "the effect of {:.2g} mm of focus."
)

_NO_WIDTHS = (
    "Defocus and astigmatism cannot be determined: this needs two planes with usable widths."
)


def _matrix(parameters: BeamParameters, rho: float, slope: float) -> Floats:
    """Return (5, 7): degrees of freedom from the quantities :data:`NEEDED`."""
    near, far = _ends(parameters)
    length = parameters.distances[far] - parameters.distances[near]
    width = (parameters[f"{near}.xx"] + parameters[f"{near}.yy"]) / 2
    growth = (parameters[f"{far}.xx"] + parameters[f"{far}.yy"]) / 2 / width
    curvature = rho**2 / (2 * width)
    astigmatism = growth * rho**2 / (slope * length)
    effective = np.zeros((2, 7))
    effective[0, 5], effective[1, 6] = astigmatism, astigmatism
    rows = np.zeros((5, 7))
    rows[0, 2:4] = curvature
    for k in range(2):
        pointing = np.eye(7)[k]
        tilt = pointing + effective[k] / rho
        rows[1 + 2 * k] = effective[k] + rho * tilt
        rows[2 + 2 * k] = tilt
    return rows


def _ends(parameters: BeamParameters) -> tuple[str, str]:
    order = sorted(parameters.distances, key=lambda p: parameters.distances[p])
    return order[0], order[-1]


def _finding(row: tuple[str, str, str, str, str], value: float, u: float) -> Deviation:
    name, unit, sentence, positive, negative = row
    confidence = 0.5 + 0.5 * math.erf(abs(value) / (u * math.sqrt(2))) if u > 0 else 1.0
    shown, label = (1e3, "mrad") if unit == "rad" else (1.0, "mm")
    amount = f"{abs(value) * shown:.3g} ± {2 * u * shown:.2g} {label}"
    side = positive if value > 0 else negative
    if abs(value) < 2 * u:
        text = f"{name}: aligned within ± {2 * u * shown:.2g} {label} (95 %)"
    else:
        text = sentence.format(**{"amount": amount, "side": side, "close or far": side})
        sure = f"{confidence * 100:.0f}" if confidence < 0.99 else "over 99"
        text += f" (sign certain to {sure} %)"
    return Deviation(name, value, u, unit, confidence, text[0].upper() + text[1:] + ".")
