"""Instruments that nobody here wrote, simulated by packages of others, through a driver's table.

Run by ``python -m pytest -m peers``; what is not installed is skipped by name.
"""

from __future__ import annotations

import asyncio
import contextlib
import os
import socket
import subprocess
import sys
import threading
import time
from collections.abc import Iterator
from pathlib import Path
from typing import Any

import numpy as np
import pytest
from autoalign_drivers.camera import VIDEO, VideoSettings
from autoalign_drivers.line_ascii import DRIVER as LINE_ASCII
from autoalign_drivers.line_settings import LineAsciiSettings
from autoalign_drivers.modbus import DRIVER as MODBUS
from autoalign_drivers.modbus import ModbusSettings

from autoalign.core.axes import Axis
from autoalign.core.clock import RealClock

pytestmark = [pytest.mark.peers, pytest.mark.filterwarnings("ignore"), pytest.mark.timeout(300)]


def free_port() -> int:
    """Return a port of this computer that nobody listens on."""
    with socket.create_server(("127.0.0.1", 0)) as server:
        return int(server.getsockname()[1])


def wait_for(port: int, within: float = 60.0) -> None:
    """Wait until somebody listens on ``port``."""
    end = time.monotonic() + within
    while time.monotonic() < end:
        try:
            socket.create_connection(("127.0.0.1", port), 1.0).close()
        except OSError:
            time.sleep(0.1)
        else:
            return
    raise AssertionError(f"nobody listens on {port}")


@pytest.fixture
def lewis_motor() -> Iterator[int]:
    """Return the port of lewis' own example motor, in a process of its own."""
    pytest.importorskip("lewis")
    port = free_port()
    command = [
        sys.executable, "-c", "import sys; from lewis.scripts.run import run_simulation; "
        "sys.argv[0] = 'lewis'; run_simulation()",
        "-k", "lewis.examples", "example_motor", "-c", "0.02", "-o", "none",
        "-p", f"stream: {{bind_address: 127.0.0.1, port: {port}}}",
    ]  # fmt: skip
    process = subprocess.Popen(command, stdout=subprocess.DEVNULL, stderr=subprocess.DEVNULL)
    try:
        wait_for(port)
        yield port
    finally:
        process.terminate()
        process.wait(20)


def test_the_example_motor_of_lewis(lewis_motor: int) -> None:
    """It arrives where it is sent, and a stop in mid-move leaves it at rest short of the target."""
    axis = Axis("source.x", "mm", 0.0, 250.0, tolerance=1e-3, speed=2.0)
    settings = LineAsciiSettings.model_validate(
        {
            "port": f"socket://127.0.0.1:{lewis_motor}",
            "command_end": "\r\n",
            "reply_end": "\r\n",
            "identity": {"send": "S?", "reply": "(?P<identity>)(idle|moving)"},
            "move": {"send": "T={value}", "reply": "T=[0-9.]+"},
            "position": {"send": "P?", "reply": r"(?P<value>[0-9]+\.[0-9]{1,9})[0-9]*"},
            "state": {"send": "S?", "reply": "(?P<state>[a-z]+)"},
            "stop": {"send": "H", "reply": "T=.*,P=.*"},
            "resting": ["idle"],
            "moving": ["moving"],
            "errors": ["err: .*"],
            "axes": {"source.x": {"channel": "1", "unit": "mm", "per_count": 1.0}},
        }
    )
    stage = LINE_ASCII.build("lewis", [axis], settings, RealClock())
    try:
        stage.start_move("source.x", 0.5)
        assert stage.wait("source.x").position == pytest.approx(0.5, abs=1e-3)
        stage.start_move("source.x", 100.0)
        time.sleep(0.5)
        stage.stop()
        time.sleep(0.3)
        first, second = (stage.status("source.x") for _ in range(2))
        assert not first.moving
        assert 0.5 < first.position == second.position < 50.0
    finally:
        stage.close()


@pytest.fixture(params=["tcp", "rtu"])
def modbus_device(request: Any) -> Iterator[tuple[str, int]]:
    """Return framing and port of a device served by pymodbus."""
    pytest.importorskip("pymodbus")
    try:
        from pymodbus import FramerType  # noqa: PLC0415
        from pymodbus.server import ModbusTcpServer  # noqa: PLC0415
        from pymodbus.simulator import DataType, SimData, SimDevice  # noqa: PLC0415
    except ImportError as error:
        pytest.skip(f"this pymodbus is another one than was met here: {error}")
    port = free_port()
    ready, loop = threading.Event(), asyncio.new_event_loop()
    servers: list[Any] = []

    async def serve() -> None:
        registers = SimData(0, values=[0x0BEE, *[0] * 99], datatype=DataType.REGISTERS)
        device = SimDevice(17, simdata=[registers])
        framer = FramerType.SOCKET if request.param == "tcp" else FramerType.RTU
        server = ModbusTcpServer(device, framer=framer, address=("127.0.0.1", port))
        servers.append(server)
        ready.set()
        await server.serve_forever()

    def run() -> None:
        asyncio.set_event_loop(loop)
        with contextlib.suppress(asyncio.CancelledError):
            loop.run_until_complete(serve())

    thread = threading.Thread(target=run, daemon=True)
    thread.start()
    assert ready.wait(20)
    wait_for(port)
    yield request.param, port
    asyncio.run_coroutine_threadsafe(servers[0].shutdown(), loop).result(20)
    thread.join(20)


def test_registers_served_by_pymodbus(modbus_device: tuple[str, int]) -> None:
    """What is written to the target is read back as the position, over both framings."""
    framing, port = modbus_device
    axis = Axis("source.x", "mm", -5.0, 5.0, resolution=1e-3)
    settings = ModbusSettings.model_validate(
        {
            "port": f"socket://127.0.0.1:{port}",
            "framing": framing,
            "device": 17,
            "identity": {"address": 0, "equals": 0x0BEE},
            # The register of the target is that of the position: this axis is there at once.
            "position": {"address": 0x10, "type": "i32"},
            "state": {"address": 0x20},
            "move": [{"address": 0x10, "type": "i32", "value": "counts"}],
            "stop": {"address": 0x30, "value": 1},
            "bits": {"moving": 1},
            "axes": {"source.x": {"channel": "0", "unit": "um", "per_count": 1.0}},
        }
    )
    stage = MODBUS.build("plc", [axis], settings, RealClock())
    try:
        stage.start_move("source.x", -1.234)
        assert stage.wait("source.x").position == pytest.approx(-1.234)
        stage.stop()
    finally:
        stage.close()


def test_a_video_written_by_opencv(tmp_path: Path) -> None:
    """The light spot of a generated video is where it was drawn, picture by picture."""
    cv2 = pytest.importorskip("cv2")
    path = tmp_path / "spot.avi"
    writer = cv2.VideoWriter(str(path), cv2.VideoWriter_fourcc(*"MJPG"), 30.0, (128, 96))
    if not writer.isOpened():
        pytest.skip("this OpenCV writes no video")
    columns, rows = np.meshgrid(np.arange(128), np.arange(96))
    for x in (40, 60, 80):
        spot = 200 * np.exp(-((columns - x) ** 2 + (rows - 48) ** 2) / 200)
        writer.write(np.repeat(spot[:, :, None], 3, axis=2).astype(np.uint8))
    writer.release()
    settings = VideoSettings.model_validate(
        {"file": os.fspath(path), "pitch": "10 um", "colour": "green"}
    )
    clock = RealClock()
    detector = VIDEO.build("film", "near", settings, clock)
    frames = detector.acquire(3, clock.now(), clock.now() + 60)
    seen = [float((f.pixels * columns).sum() / f.pixels.sum()) for f in frames]
    assert seen == pytest.approx([40, 60, 80], abs=1.0)
    detector.close()
