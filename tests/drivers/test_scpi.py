"""An instrument as a detector of numbers: never one with a complaint, never a placeholder."""

from __future__ import annotations

from collections.abc import Iterator
from dataclasses import dataclass
from typing import Any

import pytest
from autoalign_drivers.scpi import DRIVER, ScpiDetector, ScpiSettings
from autoalign_simulators.controllers import ScpiMeter
from autoalign_simulators.links import Fault, FaultyLine, serve
from pydantic import ValidationError

from autoalign.core.clock import VirtualClock
from autoalign.core.errors import DetectorError, WrongDeviceError
from autoalign.core.interfaces import Detector, DetectorDriver


@dataclass
class Lab:
    """A meter behind a bad cable."""

    clock: VirtualClock
    meter: ScpiMeter
    line: FaultyLine
    port: str
    power: float = 1.5e-3

    def open(self, **changes: Any) -> ScpiDetector:
        """Open the driver; ``changes`` to its settings."""
        keys = {
            "port": self.port,
            "measure": {"power": "MEAS:POW?"},
            "units": {"power": "W"},
            "uncertainty": {"power": 0.02},
            **changes,
        }
        return DRIVER.build("meter", "pinhole", ScpiSettings.model_validate(keys), self.clock)


@pytest.fixture
def lab() -> Iterator[Lab]:
    """Return a meter behind a bad cable."""
    clock = VirtualClock()
    meter = ScpiMeter(clock, lambda: made.power)
    line = FaultyLine(meter)
    served = serve(line, "loop")
    made = Lab(clock, meter, line, served.port)
    yield made
    served.close()


def test_reads_values_with_unit_uncertainty_and_times(lab: Lab) -> None:
    """Readings are asked for after ``not_before`` and carry all that is known of them."""
    meter = lab.open()
    assert isinstance(meter, Detector)
    assert isinstance(DRIVER, DetectorDriver)
    assert meter.identity() == "Made-up Instruments,Meter,0007,1.0"
    first, second = meter.acquire(2, not_before=5.0, deadline=20.0)
    assert first.values == {"power": pytest.approx(1.5e-3)}
    assert first.uncertainties == {"power": pytest.approx(3e-5)}
    assert first.units == {"power": "W"}
    assert first.plane == "pinhole"
    assert first.started is not None
    assert first.started >= 5.0
    assert second.started is not None
    assert second.started >= first.started
    meter.close()
    meter.close()


def test_a_number_with_a_complaint_is_not_used(lab: Lab) -> None:
    """What stands in the error queue is raised, word for word."""
    meter = lab.open()
    lab.meter.errors.append(-222)
    with pytest.raises(DetectorError, match=r"while measuring.*complained: -222 Data out of range"):
        meter.acquire(1, 0.0, 10.0)


def test_mistakes_in_the_bench_file_show_at_opening(lab: Lab) -> None:
    """A message that the instrument does not know is named before any measurement."""
    with pytest.raises(DetectorError, match=r"while opening.*-113 Undefined header.*bench file"):
        lab.open(prepare=["SENS:BLUE 1"])


# SCPI-99 volume 1, 7.2.1 (from memory): not a number is 9.91E37, infinity 9.9E37
@pytest.mark.parametrize("placeholder", [9.91e37, 9.9e37, -9.9e37])
def test_placeholders_are_no_numbers(lab: Lab, placeholder: float) -> None:
    """An instrument without a number says so with a huge one, which is never a reading."""
    meter = lab.open()
    lab.power = placeholder
    with pytest.raises(DetectorError, match=r"says that it has no number"):
        meter.acquire(1, 0.0, 10.0)


@pytest.mark.parametrize(
    "fault",
    [Fault("lose"), Fault("delay", seconds=1.05), Fault("repeat", seconds=0.05), Fault("merge"),
     Fault("drop", at=0), Fault("lose", "command")],
    ids=str,
)  # fmt: skip
def test_disturbed_queries_are_asked_again(lab: Lab, fault: Fault) -> None:
    """One disturbance on the line changes no reading."""
    meter = lab.open()
    lab.line.inject(fault)
    for power in (2e-3, 3e-3):
        lab.power = power
        (reading,) = meter.acquire(1, 0.0, 100.0)
        assert reading.values["power"] == pytest.approx(power)


@pytest.mark.parametrize("at", range(13))
@pytest.mark.parametrize("kind", ["drop", "double"])
def test_lost_characters_show_in_a_fixed_format(lab: Lab, kind: Any, at: int) -> None:
    """With the instrument's own format in the bench file, no lost character is measured."""
    meter = lab.open(number=r"(?P<value>[+-][0-9]\.[0-9]{6}E[+-][0-9]{2})")
    lab.line.inject(Fault(kind, at=at))
    (reading,) = meter.acquire(1, 0.0, 100.0)
    assert reading.values["power"] == pytest.approx(1.5e-3)
    assert len(lab.line.happened) == 1


def test_wrong_instrument(lab: Lab) -> None:
    """Another instrument on the port is refused at once."""
    with pytest.raises(WrongDeviceError, match=r"Made-up Instruments,Meter,0007.*allowed is"):
        lab.open(identity={"send": "*IDN?", "reply": "[^,]*,[^,]*,0008,[^,]*"})


def test_no_reading_in_time(lab: Lab) -> None:
    """A deadline that cannot be kept is an error with the count."""
    with pytest.raises(DetectorError, match=r"1 of 3 readings came in time"):
        lab.open(pause="5 s").acquire(3, 0.0, 2.0)


def test_unplugged(lab: Lab) -> None:
    """A broken line is a detector error that says which plane has no reading."""
    meter = lab.open()
    lab.line.inject(Fault("hang_up"))
    with pytest.raises(DetectorError, match=r"the line broke.*No reading of plane 'pinhole'"):
        meter.acquire(1, 0.0, 10.0)


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"units": {"current": "A"}}, "'current' is not measured; measured are power"),
        ({"number": "[0-9]+"}, "number needs a group"),
        ({"measure": {}}, "at least 1 item"),
    ],
)
def test_settings_mistakes(changes: dict[str, Any], message: str) -> None:
    """A unit for something that is not measured, a number without a group, nothing to measure."""
    with pytest.raises(ValidationError, match=message):
        ScpiSettings.model_validate({"port": "p", "measure": {"power": "MEAS:POW?"}, **changes})
