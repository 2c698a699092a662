"""What the planes say together, as named numbers with one covariance.

Per plane ``p``: ``p.x``, ``p.y`` (centroid, mm), ``p.xx``, ``p.yy``, ``p.xy`` (width tensor
S = 4 √(second-moment matrix), mm, so that an upright beam has S = diag(d_x, d_y)), ``p.skew_x``,
``p.skew_y`` and ``p.power``. From the first and the last plane of the beam, L apart:

- ``pointing_x``, ``pointing_y``: (far centroid − near centroid)/L, rad;
- ``divergence_xx``, ``divergence_yy``, ``divergence_xy``: (S_far − S_near)/L, rad, signed full
  angles; positive where the beam grows;
- ``astigmatism_0``, ``astigmatism_45``: how the far beam is stretched against the near one along x
  (against y) and along the +45° diagonal. M is the symmetric matrix that carries the near second
  moments into the far ones; astigmatism_0 = (M_xx − M_yy)/tr M and astigmatism_45 = 2 M_xy/tr M.
  They are the signed astigmatism components and do not mistake an uneven source for a misaligned
  mirror.

All of them are along the plane's axes: x in the plane of incidence, y up.
"""

from __future__ import annotations

import math
from collections.abc import Iterable, Mapping
from dataclasses import dataclass, field

import numpy as np
import numpy.typing as npt

from autoalign.beam.profile import BeamProfile, Flag
from autoalign.core.errors import unknown_name

__all__ = ["BeamParameters"]

Floats = npt.NDArray[np.float64]


@dataclass(frozen=True, slots=True, eq=False)
class BeamParameters:
    """Named numbers with one covariance matrix.

    ``names`` (n,), ``values`` (n,) and ``covariance`` (n, n) in mm, rad and plain numbers;
    ``distances`` of the planes in mm; ``profiles`` by plane, ``flags`` by plane.
    """

    names: tuple[str, ...]
    values: Floats
    covariance: Floats
    distances: Mapping[str, float]
    profiles: Mapping[str, BeamProfile] = field(default_factory=dict)
    flags: Mapping[str, tuple[Flag, ...]] = field(default_factory=dict)

    def __contains__(self, name: object) -> bool:
        return name in self.names

    def __getitem__(self, name: str) -> float:
        return float(self.values[self.index(name)])

    def index(self, name: str) -> int:
        """Return the place of ``name`` in ``values``."""
        try:
            return self.names.index(name)
        except ValueError:
            raise unknown_name("quantity", name, self.names, "parameters") from None

    def u(self, name: str) -> float:
        """Return the standard uncertainty of ``name``."""
        k = self.index(name)
        return math.sqrt(max(float(self.covariance[k, k]), 0.0))

    def pick(self, names: Iterable[str]) -> tuple[Floats, Floats]:
        """Return values and covariance of ``names``, in that order."""
        places = [self.index(n) for n in names]
        return self.values[places], self.covariance[np.ix_(places, places)]

    @property
    def pointing(self) -> tuple[float, float]:
        """Pointing (x, y), rad."""
        return self["pointing_x"], self["pointing_y"]

    @property
    def divergence(self) -> tuple[float, float]:
        """Signed full divergence in its two principal directions, rad, larger first."""
        low, high = np.linalg.eigvalsh(self.divergence_tensor)
        return float(high), float(low)

    @property
    def divergence_tensor(self) -> Floats:
        """(2, 2) divergence tensor, rad."""
        xx, yy, xy = (self[f"divergence_{k}"] for k in ("xx", "yy", "xy"))
        return np.array([[xx, xy], [xy, yy]])

    def own_growth(self, angle: float, waist: float, near: str, far: str) -> float:
        """Return the growth between two planes, rad, of a beam that is as wide as this at ``near``.

        The beam has the full divergence ``angle``, rad, and is narrowest at the distance ``waist``,
        mm: d² = D² + angle²(z − waist)².
        """
        width = max((self[f"{near}.xx"] + self[f"{near}.yy"]) / 2, 1e-9)
        z_near, z_far = (self.distances[p] - waist for p in (near, far))
        grown = angle**2 * (z_far**2 - z_near**2)
        return (math.sqrt(max(width**2 + grown, 0.0)) - width) / (z_far - z_near)

    @property
    def ellipticity(self) -> float:
        """Ellipticity of the far beam against the near one, 0 to 1; 1 where both have one shape."""
        amount = math.hypot(self["astigmatism_0"], self["astigmatism_45"])
        return (1 - amount) / (1 + amount)

    @property
    def astigmatism(self) -> tuple[float, float]:
        """Signed astigmatism components (0°/90°, ±45°): difference of the divergences, rad."""
        return (
            self["divergence_xx"] - self["divergence_yy"],
            2 * self["divergence_xy"],
        )
