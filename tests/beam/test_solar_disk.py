"""The edge of a real disk: the Sun in extreme ultraviolet, from inside the ``reproject`` wheel."""

from __future__ import annotations

import warnings
from importlib.util import find_spec
from pathlib import Path

import numpy as np
import pytest

from autoalign import Frame, measure_beam
from autoalign.beam.profile import FlagKind
from autoalign.beam.standards.flat_top import edge_ellipse


def test_the_sun_is_where_its_header_says():
    """Centre to a pixel of 101; half height lies in the corona, up to 15 % beyond the disk.

    At 17.1 nm the light comes from above the visible disk, so that the header's RSUN_OBS (angular
    radius of the photosphere) is a lower bound, not the diameter of the edge. The limb outshines
    the middle: a ring.
    """
    spec = find_spec("reproject")
    if spec is None or spec.origin is None:
        pytest.skip("reproject is not installed")
    fits = pytest.importorskip("astropy.io.fits")
    path = Path(spec.origin).parent / "tests" / "data" / "aia_171_level1.fits"
    if not path.exists():
        pytest.skip("this reproject does not ship the image")
    with warnings.catch_warnings():
        warnings.simplefilter("ignore")  # of the file's own header
        with fits.open(path) as units:
            unit = next(u for u in units if u.data is not None)
            pixels, header = np.asarray(unit.data).astype(np.float64), unit.header
    frame = Frame(pixels)
    profile = measure_beam(frame)
    edge = edge_ellipse(frame, profile)
    # CRPIX counts pixels from 1; RSUN_OBS and CDELT1 in arcseconds: the file's own header.
    centre = header["CRPIX1"] - 1, header["CRPIX2"] - 1
    disk = 2 * header["RSUN_OBS"] / header["CDELT1"]
    assert edge.centre == pytest.approx(centre, abs=1.0)
    assert disk < edge.diameters[1] <= edge.diameters[0] < 1.15 * disk
    assert FlagKind.RING in profile.flags
