"""The section of a paraboloid of revolution that an off-axis parabolic mirror is.

Parent z = (x² + y²)/(4f) with focus (0, 0, f); the mirror's centre is P = (h, 0, h²/4f) and its
collimated beam runs along +z. With the off-axis angle α between chief ray and parent axis and
b = α/2: ρ = f/cos²b = f + h²/(4f), h = 2f tan b = ρ sin α (D. J. Schroeder,
Astronomical Optics, 2nd ed., chapter 3, from memory).
"""

from __future__ import annotations

import math
from dataclasses import dataclass

from autoalign.core.errors import UsageError

__all__ = ["OffAxisParaboloid"]

_LARGEST = 4
"""Clear aperture by reflected focal length at which an on-axis rim stands level with the focus."""


@dataclass(frozen=True, slots=True)
class OffAxisParaboloid:
    """An off-axis parabolic mirror.

    Parameters
    ----------
    reflected_focal_length
        Distance ρ from the mirror's centre to the focus, mm (also called slant or effective focal
        length).
    off_axis_angle_deg
        Angle α between the collimated and the focused chief ray, degrees, 0 < α < 180.
    clear_aperture
        Diameter of the usable mirror seen along the collimated beam, mm.

    Raises
    ------
    UsageError
        For a value outside these ranges, or an aperture that reaches past the focus.
    """

    reflected_focal_length: float
    off_axis_angle_deg: float
    clear_aperture: float = 25.4

    def __post_init__(self) -> None:
        rho, alpha, aperture = (
            self.reflected_focal_length,
            self.off_axis_angle_deg,
            self.clear_aperture,
        )
        if not (math.isfinite(rho) and rho > 0):
            raise UsageError(f"reflected focal length {rho!r} mm must be larger than 0.")
        if not (math.isfinite(alpha) and 0 < alpha < 180):
            raise UsageError(f"off-axis angle {alpha!r}° must lie between 0° and 180°.")
        if not (math.isfinite(aperture) and aperture > 0):
            raise UsageError(f"clear aperture {aperture!r} mm must be larger than 0.")
        if aperture > _LARGEST * rho:
            raise UsageError(
                f"clear aperture {aperture:g} mm is more than {_LARGEST} times the reflected focal "
                f"length of {rho:g} mm: the mirror would close round its own focus; check the "
                "units."
            )
        if self._widest() >= math.pi / 2:
            raise UsageError(
                f"clear aperture {aperture:g} mm with a reflected focal length of {rho:g} mm and "
                f"an off-axis angle of {alpha:g}°: from the focus its rim is "
                f"{math.degrees(self._widest()):.0f}° beside the chief ray, where a source sends "
                "no light; an aperture up to 90° can be filled. Check the aperture, or take a "
                "smaller one."
            )

    def _widest(self) -> float:
        """Largest angle at the focus between the chief ray and the rim, rad.

        The parabola's point at the distance x from its axis is seen from the focus at 2·atan(x/2f)
        from the axis (its polar equation: D. J. Schroeder, Astronomical Optics, 2nd ed., chapter 3,
        from memory).
        """
        ends = (
            self.off_axis_distance - self.clear_aperture / 2,
            self.off_axis_distance + self.clear_aperture / 2,
        )
        return max(
            abs(2 * math.atan(x / (2 * self.parent_focal_length)) - self.off_axis_angle)
            for x in ends
        )

    @property
    def off_axis_angle(self) -> float:
        """Off-axis angle α, rad."""
        return math.radians(self.off_axis_angle_deg)

    @property
    def incidence(self) -> float:
        """Angle of incidence b = α/2 at the mirror's centre, rad."""
        return self.off_axis_angle / 2

    @property
    def parent_focal_length(self) -> float:
        """Focal length f of the parent, mm."""
        return self.reflected_focal_length * (1 + math.cos(self.off_axis_angle)) / 2

    @property
    def off_axis_distance(self) -> float:
        """Distance h of the mirror's centre from the parent axis, mm."""
        return self.reflected_focal_length * math.sin(self.off_axis_angle)

    @property
    def sag(self) -> float:
        """Height h²/(4f) of the mirror's centre above the parent's vertex, mm."""
        return self.reflected_focal_length - self.parent_focal_length

    @property
    def slope(self) -> float:
        """Slope of the parent at the mirror's centre, tan b."""
        return math.tan(self.incidence)

    @property
    def radius_tangential(self) -> float:
        """Radius of curvature in the plane of incidence at the centre, 2f/cos³b, mm."""
        return 2 * self.parent_focal_length / math.cos(self.incidence) ** 3

    @property
    def radius_sagittal(self) -> float:
        """Radius of curvature across the plane of incidence at the centre, 2f/cos b, mm."""
        return 2 * self.parent_focal_length / math.cos(self.incidence)

    @property
    def focus(self) -> tuple[float, float, float]:
        """The focus seen from the mirror's centre, bench frame (see :mod:`.layout`), mm."""
        rho, alpha = self.reflected_focal_length, self.off_axis_angle
        return (-rho * math.sin(alpha), 0.0, rho * math.cos(alpha))

    @property
    def chief_ray(self) -> tuple[float, float, float]:
        """Unit vector from the focus to the mirror's centre, bench frame."""
        return (math.sin(self.off_axis_angle), 0.0, -math.cos(self.off_axis_angle))

    @property
    def sideways(self) -> tuple[float, float, float]:
        """Unit vector across the chief ray in the plane of incidence at the source, bench frame."""
        return (math.cos(self.off_axis_angle), 0.0, math.sin(self.off_axis_angle))

    @property
    def working_f_number(self) -> float:
        """Reflected focal length over clear aperture."""
        return self.reflected_focal_length / self.clear_aperture

    @classmethod
    def from_parent(
        cls, parent_focal_length: float, off_axis_distance: float, clear_aperture: float = 25.4
    ) -> OffAxisParaboloid:
        """Make the section from the parent's focal length f and the off-axis distance h, mm."""
        f, h = parent_focal_length, off_axis_distance
        if not (f > 0 and h > 0):
            raise UsageError(
                f"parent focal length {f!r} mm and off-axis distance {h!r} mm must both be larger "
                "than 0."
            )
        return cls(f + h * h / (4 * f), math.degrees(2 * math.atan2(h, 2 * f)), clear_aperture)
