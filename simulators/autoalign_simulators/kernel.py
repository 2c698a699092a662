"""The picture of an extended source as a convolution kernel."""

from __future__ import annotations

from typing import Any

import numpy as np
import numpy.typing as npt
import scipy.fft

__all__ = ["blur", "disk_kernel", "gaussian_kernel"]

Image = npt.NDArray[np.float32]

_FINE = 7
"""Sub-pixels along a pixel's side that a kernel is sampled on."""

_SMALLEST = 0.2
"""Variance, pixel², below which a kernel is made of three taps along each side."""


def disk_kernel(spread: npt.NDArray[Any]) -> Image:
    """Return the image of a uniform disk, odd sides, sum 1, with the exact second moments.

    ``spread`` (2, 2): pixels (column, row) that a point moves per unit radius of the disk along its
    x and y. The disk has the covariance S Sᵀ/4. Averaging over a pixel would add 1/12 to it, which
    the picture's own pixel average already does; the disk is shrunk by as much.
    """
    covariance = spread @ spread.T / 4
    values, vectors = np.linalg.eigh(covariance)
    if values.max() < _SMALLEST:
        return _taps(covariance)
    shrunk = np.sqrt(np.maximum(values - 1 / 12, 0.02))
    half = int(np.ceil(2 * np.sqrt(values.max()))) + 1
    line = (np.arange((2 * half + 1) * _FINE) - ((2 * half + 1) * _FINE - 1) / 2) / _FINE
    column, row = np.meshgrid(line, line)
    first = (column * vectors[0, 0] + row * vectors[1, 0]) / (2 * shrunk[0])
    second = (column * vectors[0, 1] + row * vectors[1, 1]) / (2 * shrunk[1])
    side = 2 * half + 1
    inside = (first**2 + second**2 <= 1).reshape(side, _FINE, side, _FINE).mean(axis=(1, 3))
    return np.asarray(inside / inside.sum(), np.float32)


def gaussian_kernel(spread: npt.NDArray[Any]) -> Image:
    """Return a Gaussian with the covariance S Sᵀ/4 that :func:`disk_kernel` has."""
    covariance = spread @ spread.T / 4
    values, vectors = np.linalg.eigh(covariance)
    if values.max() < _SMALLEST:
        return _taps(covariance)
    half = int(np.ceil(4 * np.sqrt(values.max())))
    line = np.arange(-half, half + 1)
    column, row = np.meshgrid(line, line)
    widened = np.maximum(values, 0.1)
    first = column * vectors[0, 0] + row * vectors[1, 0]
    second = column * vectors[0, 1] + row * vectors[1, 1]
    fall = np.exp(-(first**2 / widened[0] + second**2 / widened[1]) / 2)
    return np.asarray(fall / fall.sum(), np.float32)


def _taps(covariance: npt.NDArray[Any]) -> Image:
    """Three taps along columns and rows with the variances of ``covariance``."""
    across, down = (np.array([c / 2, 1 - c, c / 2]) for c in (covariance[0, 0], covariance[1, 1]))
    return np.asarray(np.outer(down, across), np.float32)


def blur(image: Image, kernel: Image) -> Image:
    """Return ``image`` convolved with ``kernel``, same size, nothing coming in from outside."""
    if kernel.size == 1 or kernel[kernel.shape[0] // 2, kernel.shape[1] // 2] == 1:
        return image
    rows, columns = (a + b - 1 for a, b in zip(image.shape, kernel.shape, strict=True))
    size = scipy.fft.next_fast_len(rows, real=True), scipy.fft.next_fast_len(columns, real=True)
    spectrum = scipy.fft.rfft2(image, size)
    spectrum *= scipy.fft.rfft2(kernel, size)
    whole = scipy.fft.irfft2(spectrum, size)
    top, left = kernel.shape[0] // 2, kernel.shape[1] // 2
    part = whole[top : top + image.shape[0], left : left + image.shape[1]]
    return np.asarray(np.maximum(part, 0), np.float32)
