"""Synthetic records: an invented bench, a Gaussian beam on each plane, a run that ends in spec."""

from __future__ import annotations

import math
import re
from html.parser import HTMLParser

import numpy as np
import pytest

from autoalign.beam.profile import BeamProfile
from autoalign.core.axes import Axis
from autoalign.core.frames import Frame
from autoalign.journal.record import FramePicture, MeasurementRow, MoveRow, RunRecord, TermRow

VOID = {"img", "br", "meta", "hr"}


class PageCheck(HTMLParser):
    """Fails on a tag that is closed out of turn; collects tags, texts, pictures and addresses."""

    def __init__(self, text: str) -> None:
        super().__init__(convert_charrefs=True)
        self.stack: list[str] = []
        self.tags: list[tuple[str, dict[str, str]]] = []
        self.words: list[str] = []
        self.feed(text)
        self.close()
        assert self.stack == [], f"never closed: {self.stack}"

    def handle_starttag(self, tag, attrs):
        """Remember the tag and its attributes."""
        self.tags.append((tag, dict(attrs)))
        if tag not in VOID:
            self.stack.append(tag)

    def handle_endtag(self, tag):
        """Check that the innermost open tag is the one closed."""
        assert self.stack, f"</{tag}> closes nothing"
        assert self.stack.pop() == tag, f"</{tag}> is out of turn"

    def handle_data(self, data):
        """Remember what is read."""
        if "style" not in self.stack:
            self.words.append(data)

    @property
    def text(self) -> str:
        """All that a reader sees, blanks collapsed."""
        return re.sub(r"\s+", " ", " ".join(self.words))

    def all(self, tag: str) -> list[dict[str, str]]:
        """Return the attributes of every ``tag``."""
        return [attributes for name, attributes in self.tags if name == tag]

    @property
    def addresses(self) -> list[str]:
        """Everything that a browser would fetch or follow."""
        return [
            value
            for _, attributes in self.tags
            for key, value in attributes.items()
            if key in {"src", "href", "srcset", "poster", "action", "data"}
        ]


SCREEN = ((1.0, 0.0), (0.0, -1.0))
"""A camera that looks at the plane upright: rows run downwards, the plane's y upwards."""


def gaussian(
    centre=(0.0, 0.0), widths=(6.0, 5.0), azimuth=0.0, plane="far", view=SCREEN, size=(96, 128)
) -> tuple[Frame, BeamProfile]:
    """Return a 12-bit frame of a Gaussian and its exact profile, both in frame axes (mm, rad)."""
    rows, columns = size
    pitch = 0.2
    origin = ((columns - 1) / 2, (rows - 1) / 2)
    x = (np.arange(columns) - origin[0]) * pitch - centre[0]
    y = (np.arange(rows) - origin[1]) * pitch - centre[1]
    xx, yy = np.meshgrid(x, y)
    c, s = math.cos(azimuth), math.sin(azimuth)
    along, across = xx * c + yy * s, -xx * s + yy * c
    a, b = widths[0] / 4, widths[1] / 4
    light = 3000 * np.exp(-(along**2) / (2 * a * a) - across**2 / (2 * b * b)) + 60
    noise = np.random.default_rng(5).normal(0, 4, light.shape)
    pixels = np.clip(light + noise, 0, 4095).astype(np.uint16)
    frame = Frame(pixels, pitch=pitch, origin=origin, bit_depth=12, plane=plane, view=view)
    moments = np.zeros(9)
    moments[:5] = (
        *centre, a * a * c * c + b * b * s * s, a * a * s * s + b * b * c * c,
        (a * a - b * b) * s * c,
    )  # fmt: skip
    covariance = np.diag([1e-4, 1e-4, 4e-4, 4e-4, 2e-4, 0, 0, 0, 0])
    return frame, BeamProfile(
        moments, covariance, 1e6, 1e3, 60.0, 4.0, 3000.0, plane=plane, view=view
    )


def terms(scale: float) -> tuple[TermRow, ...]:
    """Return the four terms of a collimation spec, off by ``scale``."""
    rows = (
        ("pointing_x", "rad", 9e-4 * scale, 0.0, 1e-4, 8e-6),
        ("pointing_y", "rad", -6e-4 * scale, 0.0, 1e-4, 8e-6),
        ("divergence", "rad", 1.1e-4 + 3e-3 * scale, 1.1e-4, 2e-4, 2e-5),
        ("ellipticity", "1", 1.0 - 0.2 * scale, 1.0, 0.015, 0.002),
    )
    return tuple(
        TermRow(n, u, v, t, tol, du, abs(v - t) + 1.645 * du <= tol) for n, u, v, t, tol, du in rows
    )


def measurement(number: int, scale: float) -> MeasurementRow:
    """Return a visit at which everything is off by ``scale``."""
    judged = terms(scale)
    merit = math.sqrt(sum(t.residual**2 for t in judged) / len(judged))
    places = {"source.x": 0.8 * scale, "source.z": -2.0 * scale, "mirror.tip": 3e-3 * scale}
    return MeasurementRow(
        number, 4.0 * number, places, merit, judged, all(t.in_spec for t in judged)
    )


def picture(plane: str, **shape) -> FramePicture:
    """Return a picture of a Gaussian with its outline."""
    return FramePicture.of(*gaussian(plane=plane, **shape))


@pytest.fixture
def make_picture():
    """Make a picture of a Gaussian of given centre, widths, azimuth, plane, view."""
    return picture


@pytest.fixture
def make_gaussian():
    """Make a frame of a Gaussian and its exact profile."""
    return gaussian


@pytest.fixture(scope="session")
def check_page():
    """Parse a page, fail where it is not well formed, and return what was found in it."""
    return PageCheck


@pytest.fixture(scope="session")
def record() -> RunRecord:
    """A run of the made-up gas spectrometer's input arm that ends in spec."""
    scales = (1.0, 0.55, 0.2, 0.06, 0.02)
    measurements = [measurement(k, s) for k, s in enumerate(scales)]
    measurements.insert(
        2, MeasurementRow(2, 9.0, {"source.x": 0.5}, failure="the far frame was dark")
    )
    measurements = [
        MeasurementRow(k, p.time, p.positions, p.merit, p.terms, p.in_spec, p.failure)
        for k, p in enumerate(measurements)
    ]
    return RunRecord(
        bench="gas spectrometer, input arm", strategy="response-matrix", outcome="in spec",
        measurements=tuple(measurements),
        moves=(
            MoveRow(0.5, "source.x", "mm", 0.8, 0.44, 0.4402, "arrived"),
            MoveRow(4.5, "mirror.tip", "rad", 3e-3, 1.6e-3, None, "timed out, position unknown"),
        ),
        axes=(
            Axis("source.x", "mm", -3, 3), Axis("source.z", "mm", -6, 6),
            Axis("mirror.tip", "rad", -0.02, 0.02),
        ),
        before=(
            picture("near", centre=(1.2, -0.7), widths=(9, 8)),
            picture("far", centre=(4.0, 2.5), widths=(11, 6), azimuth=0.5),
        ),
        after=(picture("near", widths=(8, 8)), picture("far", centre=(0.1, 0), widths=(8.1, 8))),
        guard=1.645, started="2026-01-01 09:00 UTC", duration=252.0,
        distances={"near": 400.0, "far": 2400.0}, wavelengths=(660e-6,), simulated=True,
        provenance={"autoalign": "0.1.0", "seed": "3", "budget": "40 measurements"},
    )  # fmt: skip
