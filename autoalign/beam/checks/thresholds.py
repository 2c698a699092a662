"""Every limit at which a frame is said to have something wrong with it, with the reason for it."""

from __future__ import annotations

import textwrap
from dataclasses import dataclass, field, fields
from typing import Any

__all__ = ["THRESHOLDS", "Thresholds"]


def _limit(value: Any, reason: str) -> Any:
    return field(default=value, metadata={"reason": reason})


@dataclass(frozen=True, slots=True)
class Thresholds:
    """Limits of the frame checks; ``print(THRESHOLDS)`` lists them with their reasons.

    Parts of a peak, a top, a width or an area are plain numbers; "σ" is the standard deviation of a
    pixel's noise, or of what is compared. Where no source is named, a limit was set by trial on
    made-up frames.
    """

    # Is there a beam at all?
    beam_significance: float = _limit(
        6.0,
        "Number of σ of the sum over its own area from which light counts as a beam; in pure noise "
        "about one frame in 30,000 reaches that anywhere on the grid.",
    )
    slope_explains: float = _limit(
        0.7,
        "Part of the brightest light over the background, from which a plane through the whole "
        "frame explains it.",
    )
    lost_frames: float = _limit(
        1.5,
        "Area of the window over that of the frame, from which the light may be the "
        "background's own.",
    )
    lost_light: float = _limit(
        0.02,
        "Light in such a window over that of a Gaussian of the same widths and peak, below "
        "which it is no beam's. A disk has 2; a beam in its own noise, or with hot pixels fifty "
        "times as high, still more than this.",
    )
    lost_width: float = _limit(
        3.0,
        "Width in pixels, up to which a spot may be a few hot pixels side by side.",
    )
    # Saturated
    saturated_pixels: int = _limit(
        4,
        "Pixels at the top of the range that make a frame saturated; a lone one is a hot pixel.",
    )
    plateau_pixels: int = _limit(
        8,
        "Pixels that share the highest value, from which they may be a plateau.",
    )
    plateau_stands_out: float = _limit(
        4.0,
        "Pixels at the highest value over those at any value just below, from which it is a "
        "plateau: a Gaussian has about 1, one of exp(−2 r⁸) without noise 3.",
    )
    plateau_steps: int = _limit(
        16,
        "Height of a plateau over the lowest pixel from which it is reported, in the file's steps.",
    )
    plateau_quiet: float = _limit(
        0.35,
        "Noise in steps, below which there is none but that of rounding, which is 0.29.",
    )
    plateau_noiseless: float = _limit(
        1e-5,
        "Noise of floats over the height of the plateau, below which there is none.",
    )
    # Clipped by the sensor
    edge_light: float = _limit(
        0.005,
        "Light at the sensor's edge, of the peak, from which the sensor cuts the beam.",
    )
    edge_strong: float = _limit(
        0.2,
        "Light at the edge from which only the side is known: most of the beam may lie beyond.",
    )
    edge_cells: int = _limit(
        2,
        "Number of cells along each side that count as the sensor's edge, where no window settles.",
    )
    edge_clear: float = _limit(
        10.0,
        "Number of σ above the frame's median from which a cell is light, if no window settles.",
    )
    # Not converged
    outgrown: float = _limit(
        2.0,
        "Area of the window over that of the frame, from which hardly any background is left to "
        "be sure of: a window that has once grown over a faint beam stays large.",
    )
    outgrown_faint: float = _limit(
        12.0,
        "Highest pixel in σ, up to which an even lift of the whole frame hides in it.",
    )
    outgrown_unsteady: float = _limit(
        0.01,
        "Relative uncertainty of a width, from which noise may have let the window grow.",
    )
    still_changing: float = _limit(
        1e-3,
        "Change of the window in its half sides that is left at the most, or as much as noise "
        "does.",
    )
    inner_factor: float = _limit(
        1.25,
        "Sides in beam widths of a still narrower window, to see whether noise made the width up.",
    )
    inner_least: float = _limit(
        0.65,
        "Beam area in that window over that in the narrow one, at the least. A Gaussian has "
        "0.88, a disk 1.0; of noisy Gaussian beams with good widths 19 in 20 lie between the "
        "two limits, of those whose window noise had let grow or shrink (widths off by more "
        "than 2.5 standard uncertainties), 1 in 7.",
    )
    inner_most: float = _limit(
        1.25,
        "The same, at the most.",
    )
    # Outline: ring, aperture, nick
    outline_narrow: float = _limit(
        10.0,
        "Half width in pixels under which pixels are too coarse for an outline.",
    )
    outline_faint: float = _limit(
        8.0,
        "Top in σ of a ray, under which there is no outline.",
    )
    ring_middle: float = _limit(
        0.75,
        "Light in the middle over the highest ring of light, below which it is a ring.",
    )
    aperture_level: float = _limit(
        0.04,
        "Level, as part of the top, at which the edge is searched.",
    )
    aperture_fall: float = _limit(
        0.1,
        "Light 0.1 half widths outside over light as far inside, below which an edge is hard. A "
        "Gaussian has 0.36 there, exp(−2 t⁴) 0.13.",
    )
    aperture_part: float = _limit(
        0.15,
        "Part of the circumference with a hard edge from which an aperture is named.",
    )
    nick_depth: float = _limit(
        0.05,
        "Depth of a nick, as part of the radius, from which it is named.",
    )
    # Speckle
    speckle_lit: float = _limit(
        0.2,
        "Light of a cell over the brightest, from which its fluctuation counts.",
    )
    speckle_stands_out: float = _limit(
        3.0,
        "Variance of neighbouring cells over what noise makes, from which there is speckle.",
    )
    speckle_least: float = _limit(
        0.01,
        "Fluctuation of a cell over its light, from which there is speckle.",
    )
    speckle_matters: float = _limit(
        0.003,
        "Uncertainty of centroid or second moments from it, over the beam's own, from which it "
        "is named.",
    )
    speckle_coarse: float = _limit(
        0.04,
        "The same of two by two cells, over which a beam's own shape bends more.",
    )
    # Two spots
    spot_height: float = _limit(
        0.02,
        "Height of a second spot over the first, from which it is named.",
    )
    spot_strong: float = _limit(
        0.5,
        "Height from which it is not known which of the two is the beam.",
    )
    spot_valley: float = _limit(
        0.6,
        "Light between two spots over the lower one, below which they are two.",
    )
    spot_clear: float = _limit(
        8.0,
        "Height of a spot, and over the valley before it, in σ.",
    )
    shelf_edge: float = _limit(
        0.12,
        "Level over the top at which the beam's own edge is taken to be.",
    )
    shelf_inner: float = _limit(
        0.25,
        "Level over the top from which to the edge the beam's own fall is measured.",
    )
    shelf_own: float = _limit(
        1.4,
        "How many times the light that the beam should have beyond is taken to be its own.",
    )
    shelf_level: float = _limit(
        0.002,
        "Level over the top from which a shelf is named.",
    )
    shelf_clear: float = _limit(
        4.5,
        "Standard deviations that both halves of a shelf stand out by.",
    )
    shelf_fall: float = _limit(
        1.7,
        "Light on the near half of a shelf over that on the far half, at the most.",
    )
    shelf_one_sided: float = _limit(
        0.75,
        "Part of a shelf's light that the opposite side lacks, at the least.",
    )
    shelf_trace: float = _limit(
        0.18,
        "Mean light from 1.25 half widths on over the least of a narrow shelf, below which no "
        "shelf is sought.",
    )
    # More than one exposure
    torn_jump: float = _limit(
        6.0,
        "Change from one row to the next over what is usual around, from which a frame is torn.",
    )
    torn_aside: float = _limit(
        4.0,
        "That change over the one from pixel to pixel along the two rows, both squared and "
        "summed: what moves sharp edges by two pixels. A sharp edge that slants does so from "
        "row to row, in steps.",
    )
    torn_bright: float = _limit(
        0.3,
        "Light of a row over that of the brightest, from which the picture may jump there.",
    )
    ambient_change: float = _limit(
        0.01,
        "Change of the background over the beam's peak, from which the ambient light changed.",
    )

    def __str__(self) -> str:
        """Return name, value and reason of each, one after the other."""
        lines = []
        for each in fields(self):
            head = f"{each.name:20} {getattr(self, each.name):<7g} "
            indent = " " * len(head)
            lines.append(
                textwrap.fill(
                    each.metadata["reason"], 100, initial_indent=head, subsequent_indent=indent
                )
            )
        return "\n".join(lines)


THRESHOLDS = Thresholds()
"""The ones in use."""
