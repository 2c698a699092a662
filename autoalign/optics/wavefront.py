"""The wavefront: optical path over the pupil, and what it is made of.

W > 0 is a longer path, exp(+ikW). A collimated beam is compared with a plane wave, a converging one
with a sphere around the image point. Ray directions are ∇W, so that a tilt W = θx sends the beam to
+θ; W = r²/(2R) diverges.
"""

from __future__ import annotations

import math
from dataclasses import dataclass

import numpy as np
import numpy.typing as npt

from autoalign.core.errors import UsageError
from autoalign.optics.pose import Pose
from autoalign.optics.rays import Rays
from autoalign.optics.trace import to_plane

__all__ = [
    "Aberrations",
    "Wavefront",
    "noll",
    "on_sphere",
    "orthonormal",
    "zernike",
    "zernike_matrix",
]

Floats = npt.NDArray[np.float64]

# Zernike polynomials in Noll's order, and their orthonormal counterparts on any aperture.


def noll(index: int) -> tuple[int, int]:
    """Return radial degree n and signed azimuthal frequency m of Noll's ``index``, from 1.

    R. J. Noll, J. Opt. Soc. Am. 66, 207 (1976): even indices are cosines (m > 0), odd ones sines.
    """
    if index < 1:
        raise UsageError(f"Noll index {index!r}; the first one is 1.")
    n = (math.isqrt(8 * index - 7) - 1) // 2
    place = index - n * (n + 1) // 2
    m = 2 * (place // 2) if n % 2 == 0 else 2 * ((place - 1) // 2) + 1
    return n, m if index % 2 == 0 else -m


def zernike(index: int, x: Floats, y: Floats) -> Floats:
    """Return Noll's polynomial ``index`` at (x, y) in units of the radius; rms 1 over the disk."""
    n, m = noll(index)
    r2 = x * x + y * y
    radial = np.zeros_like(r2)
    for k in range((n - abs(m)) // 2 + 1):
        factor = (-1) ** k * math.factorial(n - k)
        factor /= math.factorial(k)
        factor /= math.factorial((n + abs(m)) // 2 - k) * math.factorial((n - abs(m)) // 2 - k)
        radial += factor * r2 ** ((n - abs(m)) // 2 - k)
    # r^|m| cos(mφ) and r^|m| sin(mφ) without angles.
    wave = (x + 1j * y) ** abs(m)
    if m == 0:
        return np.asarray(math.sqrt(n + 1) * radial)
    return np.asarray(math.sqrt(2 * (n + 1)) * radial * (wave.real if m > 0 else wave.imag))


def zernike_matrix(count: int, x: Floats, y: Floats) -> Floats:
    """Return the first ``count`` polynomials (points, count) at ``x``, ``y`` (points,)."""
    return np.stack([zernike(j, x, y) for j in range(1, count + 1)], axis=-1)


def orthonormal(count: int, x: Floats, y: Floats, weight: Floats) -> Floats:
    """Return ``count`` polynomials (points, count) that are orthonormal over the sampled aperture.

    Gram–Schmidt of Noll's polynomials in their order (by QR) with ``weight`` (points,) as the
    area that each point stands for: the first is 1, and every coefficient is an rms. On a full
    disk they are Noll's own (G. Dai and V. N. Mahajan, Appl. Opt. 47, A27, 2008, from memory).

    Raises
    ------
    UsageError
        Where the aperture has too few points to tell ``count`` polynomials apart.
    """
    share = np.sqrt(weight / np.sum(weight))
    matrix = zernike_matrix(count, x, y)
    r = np.linalg.qr(matrix * share[:, None], mode="r")
    size = np.abs(np.diagonal(r))
    if len(x) < count or size.min() < 1e-10 * size.max():
        raise UsageError(
            f"{count} Zernike terms cannot be separated on this aperture of {len(x)} points; ask "
            "for fewer terms or sample it more finely."
        )
    sign = np.sign(np.diagonal(r))
    return np.asarray(np.linalg.solve((r * sign[:, None]).T, matrix.T).T)


@dataclass(frozen=True, slots=True, eq=False)
class Aberrations:
    """A wavefront taken apart by least squares.

    Parameters
    ----------
    piston
        mm, at the pupil's centre.
    tilt
        (x, y) rad.
    curvature
        1/mm of W = ½ curvature r²; positive diverges.
    coefficients
        (count,) mm rms in Noll's order, of polynomials orthonormal over the actual aperture;
        piston, tilt and focus are the first four.
    rms
        mm, without piston and tilt.
    rms_focused
        mm, without piston, tilt and focus.
    valley
        Peak to valley without piston and tilt, mm.
    """

    piston: float
    tilt: tuple[float, float]
    curvature: float
    coefficients: Floats
    rms: float
    rms_focused: float
    valley: float

    def __getitem__(self, index: int) -> float:
        """Return the coefficient of Noll's ``index`` (from 1), mm rms."""
        if not 1 <= index <= len(self.coefficients):
            raise UsageError(
                f"Noll index {index!r}; this wavefront was taken apart into terms 1 to "
                f"{len(self.coefficients)}."
            )
        return float(self.coefficients[index - 1])


@dataclass(frozen=True, slots=True, eq=False)
class Wavefront:
    """Optical path at points of the pupil.

    ``x``, ``y`` (n,) mm about the pupil's centre; ``path`` (n,) mm; ``weight`` (n,) the area that a
    point stands for.
    """

    x: Floats
    y: Floats
    path: Floats
    weight: Floats

    @property
    def radius(self) -> float:
        """Radius of the circle about the pupil's centre that holds every point, mm."""
        return float(np.sqrt(np.max(self.x**2 + self.y**2)))

    def analyse(self, count: int = 15, radius: float | None = None) -> Aberrations:
        """Take the wavefront apart into ``count`` (at least 4) orthonormal polynomials.

        ``radius`` scales them; None takes the outermost point.
        """
        if count < 4:
            raise UsageError(f"{count!r} terms; at least 4 (piston, two tilts, focus) are needed.")
        scale = self.radius if radius is None else radius
        share = self.weight / np.sum(self.weight)
        basis = orthonormal(count, self.x / scale, self.y / scale, self.weight)
        coefficients = basis.T @ (share * self.path)
        untilted = self.path - basis[:, :3] @ coefficients[:3]
        focused = untilted - basis[:, 3] * coefficients[3]
        low = self._low_order()
        return Aberrations(
            piston=low[0],
            tilt=(low[1], low[2]),
            curvature=2 * low[3],
            coefficients=coefficients,
            rms=math.sqrt(share @ untilted**2),
            rms_focused=math.sqrt(share @ focused**2),
            valley=float(np.ptp(untilted)),
        )

    def _low_order(self) -> list[float]:
        """Coefficients of 1, x, y, r²."""
        r2 = self.x**2 + self.y**2
        basis = np.stack([np.ones_like(r2), self.x, self.y, r2], axis=-1)
        size = np.sqrt(np.mean(basis**2, axis=0))
        share = np.sqrt(self.weight)[:, None]
        fit = np.linalg.lstsq(basis / size * share, self.path * share[:, 0], rcond=None)[0]
        return [float(v) for v in fit / size]


def on_sphere(
    rays: Rays, pose: Pose, radius: float, centre: tuple[float, float] = (0.0, 0.0)
) -> tuple[Floats, Floats, Floats]:
    """Return where ``rays`` leave a reference sphere on their way to an image.

    The sphere of ``radius``, mm, is centred on the point ``centre`` (x, y), mm, of the image plane
    ``pose``. Returned are x, y (n,), mm, about the centre and along the plane's axes, and the path.
    """
    local = rays.moved(pose.inverse())
    x, y, path = to_plane(local, Pose(np.eye(3), np.zeros(3)))
    x, y = x - centre[0], y - centre[1]
    along = x * local.l + y * local.m
    t = -along - np.sqrt(along * along - x * x - y * y + radius**2)
    return x + t * local.l, y + t * local.m, path + t
