"""A practice bench: a motion controller on a port and cameras that write files, all simulated.

``python -m autoalign_simulators.practice`` runs the demo's collimator as a bench that another
program meets from outside: one controller with an invented command set on a TCP port, and two
cameras whose frames appear in ``pictures/near`` and ``pictures/far``. The tutorial in README.md
brings it from an unknown controller to the first alignment.

Commands end with CR, replies with CR LF; positions are mm for channels 1 to 3 and mrad for 4 to 6::

    hello          practice controller, unit 7
    put 3 1.25     ok                  accepted: not arrived
    where 3        3 +1.2500           position of channel 3
    busy 3         3 yes               yes, no, or fault
    freeze         ok                  stops every channel

A command that is refused is answered by ``? command``, ``? channel``, ``? number``, ``? range`` or
``? fault``.
"""

from __future__ import annotations

import sys
import threading
import time
from pathlib import Path
from types import TracebackType
from typing import Self

from PIL import Image

from autoalign.core.clock import Clock, ScaledClock
from autoalign.core.errors import AlignError, MotionFaultError, TravelLimitError
from autoalign.core.frames import Frame
from autoalign_simulators import collimator
from autoalign_simulators.controllers.talker import LineTalker
from autoalign_simulators.links import serve
from autoalign_simulators.motors import Motor
from autoalign_simulators.simulated_stage import SimulatedStage

__all__ = ["Practice", "PracticeController", "main"]

SPEED = 10.0
"""How many times faster than real time the motors move."""

KEPT = 20
"""Number of frames that each camera keeps in its folder."""

PAUSE = 0.1
"""Real seconds between two frames of a camera."""


class _Refusal(Exception):  # noqa: N818 - becomes a line of text
    """A command that is not carried out; its text is the reply."""


class PracticeController(LineTalker):
    """The controller of the practice bench: ``motors`` are its channels, from 1 on."""

    def __init__(self, clock: Clock, motors: list[Motor]) -> None:
        super().__init__(clock)
        self.motors = motors

    def respond(self, line: str) -> str:
        """Carry out one command line and return the reply."""
        word, *given = line.split()
        try:
            return self._carry_out(word, given)
        except _Refusal as refusal:
            return f"? {refusal}"

    def _carry_out(self, word: str, given: list[str]) -> str:
        if word == "hello" and not given:
            return "practice controller, unit 7"
        if word == "freeze" and not given:
            for motor in self.motors:
                motor.stop()
            return "ok"
        if word == "put" and len(given) == 2:
            return self._put(self._motor(given[0]), given[1])
        if word == "where" and len(given) == 1:
            motor = self._motor(given[0])
            return f"{given[0]} {motor.counts * motor.traits.step * _edge(motor):+.4f}"
        if word == "busy" and len(given) == 1:
            motor = self._motor(given[0])
            return f"{given[0]} {'fault' if motor.fault else 'yes' if motor.moving else 'no'}"
        raise _Refusal("command")

    def _motor(self, channel: str) -> Motor:
        if channel.isascii() and channel.isdecimal() and 1 <= int(channel) <= len(self.motors):
            return self.motors[int(channel) - 1]
        raise _Refusal("channel")

    def _put(self, motor: Motor, target: str) -> str:
        try:
            motor.start(float(target) / _edge(motor))
        except ValueError:
            raise _Refusal("number") from None
        except TravelLimitError:
            raise _Refusal("range") from None
        except MotionFaultError:
            raise _Refusal("fault") from None
        return "ok"


def _edge(motor: Motor) -> float:
    """Return how many units of the controller are one inner unit: mrad in a rad, mm in a mm."""
    return 1e3 if motor.name.startswith("mirror.") else 1.0


class Practice:
    """The practice bench, running until it is closed.

    Parameters
    ----------
    folder
        Folder in which ``pictures/near`` and ``pictures/far`` appear.
    seed
        Seed of the misalignment, the imperfections and the noise.
    """

    def __init__(self, folder: Path, seed: int = 0) -> None:
        self._simulation = collimator.simulate(seed, clock=ScaledClock(SPEED))
        stages = [s for s in self._simulation.stages.values() if isinstance(s, SimulatedStage)]
        motors = [m for s in stages for m in s.motors.values()]
        self._link = serve(PracticeController(self._simulation.clock, motors), "tcp")
        self._end = threading.Event()
        self._folders = {name: folder / "pictures" / name for name in ("near", "far")}
        for place in self._folders.values():
            place.mkdir(parents=True, exist_ok=True)
        self._thread = threading.Thread(target=self._expose, name="practice cameras", daemon=True)
        self._thread.start()

    def __enter__(self) -> Self:
        return self

    def __exit__(
        self,
        kind: type[BaseException] | None,
        error: BaseException | None,
        trace: TracebackType | None,
    ) -> None:
        self.close()

    @property
    def port(self) -> str:
        """Port of the controller, as a bench file names it."""
        return self._link.port

    def close(self) -> None:
        """End cameras and controller. May be called twice."""
        self._end.set()
        self._thread.join()
        self._link.close()
        self._simulation.close()

    def _expose(self) -> None:
        written: dict[str, list[Path]] = {name: [] for name in self._folders}
        clock = self._simulation.clock
        number = 0
        while not self._end.wait(PAUSE):
            number += 1
            for name, folder in self._folders.items():
                try:
                    taken = self._simulation.detectors[name].acquire(
                        1, clock.now(), clock.now() + 60
                    )
                except AlignError:
                    continue
                files = written[name]
                files += [_write(folder, number, f) for f in taken if isinstance(f, Frame)]
                while len(files) > KEPT:
                    files.pop(0).unlink(missing_ok=True)


def _write(folder: Path, number: int, frame: Frame) -> Path:
    """Write a frame under another name first, so that no reader meets half a file."""
    part, whole = folder / f"{number:06d}.part", folder / f"{number:06d}.png"
    Image.fromarray(frame.pixels).save(part, format="PNG")
    return part.replace(whole)


def main() -> None:
    """Run the practice bench in the current folder until Ctrl-C."""
    with Practice(Path()) as bench:
        sys.stdout.write(
            f"Controller: {bench.port}\n"
            "Cameras:    pictures/near and pictures/far, 12 bits\n"
            "Everything is simulated. Ctrl-C ends it.\n"
        )
        sys.stdout.flush()
        try:
            while True:
                time.sleep(1)
        except KeyboardInterrupt:
            pass


if __name__ == "__main__":
    main()
