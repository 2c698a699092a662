"""Objects of lab-control frameworks that nobody here wrote, met as they come from their packages.

Run by ``python -m pytest -m peers``; what is not installed is skipped by name.
"""

from __future__ import annotations

import time
from typing import Any

import numpy as np
import pytest

from autoalign.adapters import FunctionStage, from_parameter, from_positioner
from autoalign.core.axes import Axis
from autoalign.core.errors import UsageError

pytestmark = [pytest.mark.peers, pytest.mark.filterwarnings("ignore")]

AXIS = Axis("source.x", "mm", -5.0, 5.0, tolerance=1e-3)


def rest(stage: FunctionStage, within: float = 20.0) -> Any:
    """Return the status of the axis once it rests."""
    end = time.monotonic() + within
    while (status := stage.status("source.x")).moving:
        assert time.monotonic() < end, "the axis did not come to rest"
        time.sleep(0.005)
    return status


@pytest.fixture
def parameter() -> Any:
    """Return a parameter in m that takes ±2 mm."""
    parameters = pytest.importorskip("qcodes.parameters")
    validators = pytest.importorskip("qcodes.validators")
    return parameters.ManualParameter(
        "x", unit="m", initial_value=0.0, vals=validators.Numbers(-0.002, 0.002)
    )


def test_a_qcodes_parameter_in_metres(parameter: Any) -> None:
    """Unit and limits are those that the parameter states."""
    knob = from_parameter(parameter, AXIS)
    assert (knob.axis.lower, knob.axis.upper) == pytest.approx((-2.0, 2.0))
    stage = FunctionStage("qcodes", [knob])
    stage.start_move("source.x", 1.5)
    assert rest(stage).position == pytest.approx(1.5)
    assert parameter() == pytest.approx(0.0015)
    with pytest.raises(UsageError, match="states its unit as 'm'"):
        from_parameter(parameter, AXIS, "mm")


def test_a_qcodes_parameter_that_refuses(parameter: Any) -> None:
    """What the instrument raises is a fault of the axis."""
    knob = from_parameter(parameter, AXIS)
    stage = FunctionStage("qcodes", [knob])
    parameter.vals = pytest.importorskip("qcodes.validators").Numbers(-1e-6, 1e-6)
    stage.start_move("source.x", 1.0)
    assert "its own function failed" in rest(stage).fault


@pytest.fixture
def positioner() -> Any:
    """Return a simulated positioner in µm with limits."""
    sim = pytest.importorskip("ophyd.sim")
    made = sim.SynAxis(name="x", delay=0.05, egu="um")
    type(made).limits = property(lambda self: (-1000.0, 3000.0))
    yield made
    del type(made).limits


def test_an_ophyd_positioner_in_micrometres(positioner: Any) -> None:
    """Unit and limits are its own, and its status says when it is there."""
    knob = from_positioner(positioner, AXIS)
    assert (knob.axis.lower, knob.axis.upper) == pytest.approx((-1.0, 3.0))
    stage = FunctionStage("ophyd", [knob])
    stage.start_move("source.x", 2.5)
    assert rest(stage).position == pytest.approx(2.5)
    assert positioner.position == pytest.approx(2500.0)


def test_an_ophyd_status_with_an_exception() -> None:
    """A move whose status failed is a fault with the framework's own words."""
    status = pytest.importorskip("ophyd.status")

    class Broken:
        """A positioner that fails."""

        egu, limits, position = "mm", (-5, 5), 0.0

        def set(self, position: float) -> Any:
            """Fail, a little later."""
            made = status.Status()
            made.set_exception(RuntimeError("limit switch hit"))
            return made

        def stop(self) -> None:
            """Do nothing."""

    stage = FunctionStage("ophyd", [from_positioner(Broken(), AXIS)])
    stage.start_move("source.x", 1.0)
    assert "limit switch hit" in rest(stage).fault


def test_a_soft_positioner_that_is_stopped_here() -> None:
    """Our own stop makes its status fail, and is no fault of the axis."""
    positioner_module = pytest.importorskip("ophyd.positioner")
    soft = positioner_module.SoftPositioner(name="x", init_pos=0.0, egu="mm", limits=(-5, 5))
    stage = FunctionStage("ophyd", [from_positioner(soft, AXIS)])
    stage.start_move("source.x", 1.0)
    time.sleep(0.05)
    stage.stop()
    assert rest(stage).fault == ""


def test_a_pymeasure_property() -> None:
    """An instrument's attribute moves an axis, and its value range refuses."""
    test = pytest.importorskip("pymeasure.test")
    instruments = pytest.importorskip("pymeasure.instruments")

    class Stage(instruments.Instrument):  # type: ignore[misc, name-defined]
        """An invented instrument with one axis in mm."""

        x = instruments.Instrument.control("X?", "X %g", "Position.", get_process=float)

        def __init__(self, adapter: Any, **more: Any) -> None:
            super().__init__(adapter, "invented stage", includeSCPI=False, **more)

    from autoalign.adapters import AxisFunctions  # noqa: PLC0415

    pairs = [("X 1.5", None), ("X?", "1.5"), ("X?", "1.5"), ("X?", "1.5")]
    with test.expected_protocol(Stage, pairs) as inst:
        stage = FunctionStage(
            "pymeasure",
            [AxisFunctions(AXIS, lambda v: setattr(inst, "x", v), lambda: inst.x)],
        )
        stage.start_move("source.x", 1.5)
        while stage._moves["source.x"].running:
            time.sleep(0.001)
        seen = [stage.status("source.x") for _ in range(3)]
    assert not seen[-1].moving
    assert seen[-1].position == pytest.approx(1.5)


def test_bluesky_moves_one_of_ours_back_and_forth() -> None:
    """A plan of bluesky runs over the positioner whose axis we narrowed, and reads it."""
    run_engine = pytest.importorskip("bluesky").RunEngine
    plans = pytest.importorskip("bluesky.plans")
    sim = pytest.importorskip("ophyd.sim")
    motor = sim.SynAxis(name="x", egu="mm")
    seen: list[float] = []
    engine = run_engine({})
    engine.subscribe(lambda name, doc: seen.append(doc["data"]["x"]) if name == "event" else None)
    engine(plans.scan([sim.det], motor, -1.0, 1.0, 3))
    assert np.allclose(seen, [-1.0, 0.0, 1.0])
    stage = FunctionStage("ophyd", [from_positioner(motor, AXIS)])
    stage.start_move("source.x", 0.25)
    assert rest(stage).position == pytest.approx(0.25)
