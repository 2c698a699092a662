"""Every detector of ours passes the suite of detectors."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from autoalign_drivers.image_folder import DRIVER as FOLDER
from autoalign_drivers.image_folder import ImageFolderSettings
from autoalign_drivers.scpi import DRIVER as SCPI
from autoalign_drivers.scpi import ScpiSettings
from autoalign_simulators.collimator import simulate
from autoalign_simulators.controllers import ScpiMeter
from autoalign_simulators.links import Served, serve
from PIL import Image

from autoalign.adapters import FunctionDetector
from autoalign.core.clock import Clock, VirtualClock
from autoalign.core.interfaces import Detector
from autoalign.testing import DetectorConformance


class CameraProgram(VirtualClock):
    """Virtual time in which a picture is written every 0.3 s."""

    def __init__(self, folder: Path) -> None:
        super().__init__()
        self.folder = folder
        self.rng = np.random.default_rng(5)
        self.written = 0

    def sleep(self, seconds: float) -> None:
        """Let time pass and write what is due."""
        super().sleep(seconds)
        while self.written < self.now() / 0.3:
            self.written += 1
            pixels = self.rng.integers(0, 200, (6, 8)).astype(np.uint8)
            Image.fromarray(pixels).save(self.folder / f"{self.written:05}.png")


class TestImageFolder(DetectorConformance):
    """A folder that a camera program writes into."""

    @pytest.fixture(autouse=True)
    def _folder(self, tmp_path: Path) -> None:
        self.folder = tmp_path

    @pytest.fixture
    def detector(self, _folder: None) -> Iterator[Detector]:
        """Return the detector."""
        made, self.clock = self.make_detector()
        yield made
        made.close()

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return the detector on its folder."""
        clock = CameraProgram(self.folder)
        keys = {"folder": str(self.folder), "pitch": "50 um"}
        return FOLDER.build("cam", "near", ImageFolderSettings.model_validate(keys), clock), clock


class TestScpi(DetectorConformance):
    """A meter on the in-process link."""

    served: Served

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return the driver on a simulated meter."""
        clock, rng = VirtualClock(), np.random.default_rng(5)
        self.served = serve(ScpiMeter(clock, lambda: float(rng.normal(1.0, 0.1))), "loop")
        keys: dict[str, Any] = {
            "port": self.served.port,
            "measure": {"power": "MEAS:POW?"},
            "units": {"power": "W"},
            "uncertainty": {"power": 0.02},
            "pause": "100 ms",
        }
        return SCPI.build("meter", "pinhole", ScpiSettings.model_validate(keys), clock), clock

    def clean_up(self) -> None:
        """End the link."""
        self.served.close()


@pytest.mark.slow
class TestSimulatedCamera(DetectorConformance):
    """The far camera of an everyday bench."""

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return it."""
        simulation = simulate(3)
        return simulation.detectors["far"], simulation.clock


class TestSimulatedMoments(DetectorConformance):
    """The same camera where it gives moments instead of frames."""

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return it."""
        simulation = simulate(3, fidelity="moments")
        return simulation.detectors["far"], simulation.clock


class TestFunction(DetectorConformance):
    """A function that gives an array."""

    def make_detector(self) -> tuple[Detector, Clock]:
        """Return the adapter."""
        clock, rng = VirtualClock(), np.random.default_rng(5)

        def grab() -> Any:
            clock.sleep(0.05)
            return rng.integers(0, 200, (6, 8)).astype(np.uint8)

        return FunctionDetector("cam", "near", grab, pitch=0.1, bit_depth=8, clock=clock), clock


def test_the_suite_asks_for_a_detector() -> None:
    """A subclass that makes no detector is told what to write."""
    with pytest.raises(NotImplementedError, match="say in make_detector how"):
        DetectorConformance().make_detector()
