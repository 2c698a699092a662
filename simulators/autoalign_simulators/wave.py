"""Pictures near a focus, where light is a wave: diffraction of the true pupil, seen by pixels."""

from __future__ import annotations

import math
from collections.abc import Mapping
from dataclasses import replace
from typing import Any

import numpy as np
import numpy.typing as npt
from scipy.ndimage import map_coordinates

from autoalign.optics.diffraction import DiffractionImage, coloured_image, with_source
from autoalign.optics.layout import Source
from autoalign.optics.pose import Pose
from autoalign.optics.pupil import Aim, Pupil, make_pupil
from autoalign_simulators.pixelmap import PixelMap
from autoalign_simulators.splat import Box
from autoalign_simulators.train import Train

__all__ = ["wave_picture"]

_SAMPLES = 64
"""Points along a side of the pupil; 64 against 192 changes a pixel by 1e-3 of the peak at most."""
_AIMED = 60
"""Rays that tell where in the source's far field the pupil's points lie."""
_SPLIT = 3
"""Points along a pixel's side over which it averages."""


def wave_picture(
    train: Train, poses: Mapping[str, Pose], plane: str, pixels: PixelMap,
    magnification: npt.NDArray[Any], power: float, box: Box,
) -> npt.NDArray[np.float32]:  # fmt: skip
    """Return the flux on the pixels of ``box`` (top, bottom, left, right).

    Parameters
    ----------
    plane
        Name of the plane in ``poses``, close to a focus.
    magnification
        (2, 2) mm in the plane per mm of the source's face (or rad of the input's directions).
    power
        What comes through, 1 for all that the source emits.

    Raises
    ------
    UsageError
        Where the wavefront has too many waves for this sampling; rays serve better there.
    """
    source_at = {**poses, "source": poses["source"].compose(_centre_of_curvature(train))}
    pupil = make_pupil(train.layout, source_at, _SAMPLES, plane, figures=train.figures)
    pupil = _shaded(pupil, train, source_at, plane)
    top, bottom, left, right = box
    line = (np.arange(_SPLIT) - (_SPLIT - 1) / 2) / _SPLIT
    rows = (np.arange(top, bottom)[:, None] + line).ravel()
    columns = (np.arange(left, right)[:, None] + line).ravel()
    x, y = pixels.to_plane(*np.meshgrid(columns, rows))
    dx, dy = x - pupil.image_centre[0], y - pupil.image_centre[1]
    half = 1.05 * float(max(np.abs(dx).max(), np.abs(dy).max()))
    step = np.sqrt(pixels.area) / _SPLIT
    lines = train.layout.light.lines
    period = min(w for w, _ in lines) * pupil.reach / pupil.step
    half = min(half, 0.499 * period)
    image = coloured_image(pupil, lines, half, int(2 * half / step) // 2 * 2 + 2)
    if train.spread > 0:
        image = with_source(image, 2 * train.spread, magnification)
    seen = _at(image, dx, dy).reshape(bottom - top, _SPLIT, right - left, _SPLIT)
    return np.asarray(np.maximum(seen.mean(axis=(1, 3)) * pixels.area * power, 0), np.float32)


def _shaded(pupil: Pupil, train: Train, poses: Mapping[str, Pose], plane: str) -> Pupil:
    """Return ``pupil`` with the unevenness of the light in it.

    Where light leaves the source is taken as a straight function of where it meets the pupil.
    """
    light, lit = train.layout.light, pupil.coverage > 0
    y, x = np.meshgrid(pupil.axis, pupil.axis, indexing="ij")
    some = np.flatnonzero(lit.ravel())[:: max(lit.sum() // _AIMED, 1)]
    u, v = x.ravel()[some], y.ravel()[some]
    start, _ = Aim(train.layout, poses, (0.0, 0.0), train.figures, plane).solve(u, v)
    straight = np.column_stack([np.ones_like(u), u, v])
    slopes = np.linalg.lstsq(straight, start.T, rcond=None)[0]
    p, q = (slopes[0, k] + slopes[1, k] * x + slopes[2, k] * y for k in (0, 1))
    if isinstance(light, Source):
        p, q, size = p - train.glow.centre[0], q - train.glow.centre[1], light.na
    else:
        size = light.diameter / 2
    factor = np.sqrt(train.glow.unevenness(p / size, q / size))
    return replace(pupil, amplitude=pupil.amplitude * factor)


def _centre_of_curvature(train: Train) -> Pose:
    """Return where the waves that meet the first mirror come from, in the source's frame.

    Those of a mode whose waist is on the face come from z_R²/R behind it, at the distance R
    (B. E. A. Saleh and M. C. Teich, Fundamentals of Photonics, 2nd ed., section 3.1, from memory):
    that is what puts the collimated waist one focal length beyond the mirror.
    """
    light = train.layout.light
    behind = 0.0
    if isinstance(light, Source) and train.waist > 0:
        rayleigh = train.waist / light.na
        behind = rayleigh**2 / math.dist(light.position, train.layout.elements[0].position)
    return Pose(np.eye(3), np.array([0.0, 0.0, -behind]))


def _at(image: DiffractionImage, x: npt.NDArray[Any], y: npt.NDArray[Any]) -> npt.NDArray[Any]:
    at = np.stack([(y - image.y[0]) / image.step, (x - image.x[0]) / image.step])
    return np.asarray(map_coordinates(image.values, at, order=1))
