"""The table-driven driver on a simulated controller behind a bad cable, in virtual time.

The ids are those of the fault model: S of the serial link, M of motion.
"""

from __future__ import annotations

import re
import sys
from typing import Any

import pytest
from autoalign_drivers.line_ascii import DRIVER
from autoalign_simulators.links import Fault

from autoalign.core.clock import RealClock
from autoalign.core.errors import (
    AmbiguousMoveError,
    LinkError,
    LinkTimeoutError,
    MotionFaultError,
    MotionTimeoutError,
    ReplyError,
    UnknownNameError,
    UsageError,
    WrongDeviceError,
)
from autoalign.core.interfaces import Stage, StageDriver

LINKS = [
    "loop",
    pytest.param(
        "pty",
        marks=[
            pytest.mark.slow,
            pytest.mark.skipif(sys.platform == "win32", reason="no pseudo-terminals"),
        ],
    ),
    pytest.param("tcp", marks=pytest.mark.slow),
]


def moves(rig: Any) -> list[str]:
    """Return the move commands that reached the controller, without tags."""
    return [h.split(" ", 1)[1] for h in rig.mover.heard if " go " in h]


@pytest.mark.parametrize("link", LINKS)
def test_moves_to_the_target_over_every_link(rig: Any, link: str) -> None:
    """The same driver, unchanged, on three links: there, idle, and within tolerance."""
    made = rig(link, clock=None if link == "loop" else RealClock())
    stage = made.open(quiet="30 ms")
    assert isinstance(stage, Stage)
    assert isinstance(DRIVER, StageDriver)
    assert stage.identity() == made.mover.identity
    stage.start_move("source.x", 0.25)
    stage.start_move("mirror.tip", -0.0004)
    for axis, target in (("source.x", 0.25), ("mirror.tip", -0.0004)):
        assert stage.wait(axis).position == pytest.approx(target, abs=1e-9)
        assert made.motor(axis).true_position() == pytest.approx(target, abs=1e-9)
    assert not stage.status("source.x").moving
    assert moves(made) == ["go 1 2500", "go 2 -400"]


def test_an_acknowledgement_is_not_an_arrival(rig: Any) -> None:
    """Just after the order the axis counts as moving, whatever the controller says."""
    stage = rig().open()
    stage.start_move("source.x", 1.0)
    status = stage.status("source.x")
    assert status.moving
    assert status.position == 0.0


def test_unknown_axis(rig: Any) -> None:
    """The message suggests the right name."""
    with pytest.raises(UnknownNameError, match=r"stage mount.*'source.z'.*source.x"):
        rig().open().status("source.z")


def test_wrong_settings_type(rig: Any) -> None:
    """Settings of another driver are refused."""
    with pytest.raises(UsageError, match=r"must be LineAsciiSettings"):
        DRIVER.build("mount", (), {}, rig().clock)


def test_wrong_identity(rig: Any) -> None:
    """Swapped cables: nothing but the identity query was sent, and both ids are shown."""
    made = rig()
    made.mover.serial = "0666"
    with pytest.raises(
        WrongDeviceError, match=r"serial=0666.*allowed is.*0042.*Nothing else was sent"
    ):
        made.open()
    assert {h.split()[-1] for h in made.mover.heard if h} == {"who"}


def test_device_that_is_another_after_a_timeout(rig: Any) -> None:
    """Somebody else answers after a disturbance: refused, with who it was and who it is."""
    made = rig()
    stage = made.open(identity={"send": "who", "reply": r"mover .*"})
    made.mover.serial = "0666"
    made.line.inject(Fault("lose"))
    with pytest.raises(WrongDeviceError, match=r"it was '.*0042.*', now it says '.*0666"):
        stage.status("source.x")


def test_nobody_answers(rig: Any) -> None:
    """Silence is a timeout that says what was asked and for how long one waited."""
    made = rig()
    made.line.inject(*[Fault("lose")] * 9)
    with pytest.raises(LinkTimeoutError, match=r"no answer.*Asked '#1 who'|Asked '#2 who'"):
        made.open()


def test_nonsense_instead_of_an_identity(rig: Any) -> None:
    """Framing garbage at the start is refused with a hint at the line speed."""
    made = rig()
    made.line.inject(*[Fault("flip", at=6, bit=7)] * 9)
    with pytest.raises(WrongDeviceError, match=r"which is no text. Check the line speed"):
        made.open()


def test_babble(rig: Any) -> None:
    """Endless bytes close the line after a bounded amount, whatever they are."""
    made = rig()
    made.line.inject(Fault("babble", seconds=1e9))
    with pytest.raises(LinkError, match=r"line was closed|no line any more"):
        made.open()
    made.line.mend()
    assert made.clock.now() < 100


def test_babble_in_the_middle(rig: Any) -> None:
    """A device that starts to babble is given up; nothing is read out of the noise."""
    made = rig()
    stage = made.open()
    made.line.inject(Fault("babble", seconds=1e9))
    with pytest.raises(ReplyError, match=r"(never stops talking|without an end of line).*closed"):
        stage.status("source.x")
    with pytest.raises(LinkError, match=r"no line any more"):
        stage.status("source.x")


@pytest.mark.parametrize(
    "fault",
    [
        Fault("lose"),
        Fault("lose", "command"),
        Fault("drop", at=8),
        Fault("drop", "command", at=4),
        Fault("flip", at=12, bit=0),
        Fault("flip", "command", at=1, bit=2),
        Fault("double", at=9),
        Fault("repeat"),
        Fault("repeat", seconds=0.05),
        Fault("delay", seconds=1.04),
        Fault("split", at=7, seconds=0.3),
        Fault("split", at=7, seconds=1.05),
        Fault("merge"),
        Fault("block", "command"),
        Fault("block_after", "command"),
    ],
    ids=str,
)
@pytest.mark.parametrize("tagged", [True, False])
@pytest.mark.parametrize("which", range(6))
def test_a_disturbed_query_gives_the_right_position(
    rig: Any, fault: Fault, tagged: bool, which: int
) -> None:
    """One fault at any of the queries: the right position, with or without tags."""
    made = rig(tagged=tagged)
    stage = made.open()
    stage.start_move("source.x", 1.2345)
    stage.wait("source.x")
    stage.start_move("source.x", 0.5)
    stage.wait("source.x")
    if fault.way == "command":
        quiet = [Fault("delay", "command")] * which
    else:
        quiet = [Fault("delay")] * which
    made.line.inject(*quiet, fault)
    for _ in range(4):
        assert stage.status("source.x").position == pytest.approx(0.5)
        assert stage.status("mirror.tip").position == 0.0
    assert fault in made.line.happened


def test_late_answer_is_not_taken_for_the_next(rig: Any) -> None:
    """Without tags, an answer that comes after its timeout never shifts the later ones."""
    made = rig(tagged=False)
    stage = made.open()
    stage.start_move("source.x", 2.0)
    stage.wait("source.x")
    made.line.inject(Fault("delay", seconds=1.05))
    for axis, expected in (("source.x", 2.0), ("mirror.tip", 0.0), ("source.x", 2.0)):
        assert stage.status(axis).position == pytest.approx(expected)
    assert stage.strays >= 1


@pytest.mark.parametrize(
    ("fault", "arrives"),
    [
        (Fault("lose", "command"), False),
        (Fault("lose"), True),
        (Fault("drop", at=3), True),
        (Fault("delay", seconds=1.05), True),
        (Fault("block", "command"), False),
        (Fault("block_after", "command"), True),
    ],
    ids=str,
)
def test_a_move_of_unknown_outcome_is_never_sent_again(
    rig: Any, fault: Fault, arrives: bool
) -> None:
    """Told as ambiguous with the position read; the order left at most once."""
    made = rig()
    stage = made.open()
    made.line.inject(fault)
    with pytest.raises(AmbiguousMoveError) as caught:
        stage.start_move("source.x", 1.0)
    text = str(caught.value)
    assert text.startswith("stage mount, axis source.x: asked to go to 1 mm")
    assert "The order is not repeated. It now reads" in text
    assert "Verify the position" in text
    assert moves(made) == (["go 1 10000"] if arrives else [])
    made.clock.sleep(5.0)
    status = stage.status("source.x")
    assert status.position == pytest.approx(1.0 if arrives else 0.0)
    assert bool(status.fault) is not arrives


def test_a_target_understood_wrongly_stops_everything(rig: Any) -> None:
    """The controller repeats what it understood; where that is wrong all axes stop."""
    made = rig(tagged=False)
    stage = made.open()
    made.line.inject(Fault("flip", "command", at=5, bit=1))
    with pytest.raises(AmbiguousMoveError, match=r"sent 10000 and understood .*30000.*stopped"):
        stage.start_move("source.x", 1.0)
    assert "halt" in made.mover.heard
    made.clock.sleep(1.0)
    assert not made.motor("source.x").moving


def test_unplugged_at_rest(rig: Any) -> None:
    """An unplugged line is an error at every question; plugged in again it goes on, verified."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 1.0)
    stage.wait("source.x")
    made.line.inject(Fault("hang_up"))
    with pytest.raises(LinkError, match=r"stage mount.*the line broke while.*Check cable"):
        stage.status("source.x")
    with pytest.raises(LinkError):
        stage.status("source.x")
    made.line.mend()
    assert stage.status("source.x").position == pytest.approx(1.0)
    stage.start_move("source.x", 1.5)
    assert stage.wait("source.x").position == pytest.approx(1.5)


def test_another_device_after_it_was_unplugged(rig: Any) -> None:
    """A line that comes back with somebody else on it is closed, and nothing is moved."""
    made = rig()
    stage = made.open(identity={"send": "who", "reply": "mover .*"})
    made.line.inject(Fault("hang_up"))
    with pytest.raises(LinkError):
        stage.status("source.x")
    made.line.mend()
    made.mover.serial = "0666"
    with pytest.raises(WrongDeviceError, match=r"it was '.*0042.*', now it says '.*0666"):
        stage.start_move("source.x", 1.0)
    assert moves(made) == []


@pytest.mark.parametrize("under_way", [False, True])
def test_moved_while_it_was_unplugged(rig: Any, under_way: bool) -> None:
    """An axis that is not where it was left, or whose move was cut off, moves for no program."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 1.0)
    if not under_way:
        stage.wait("source.x")
    made.line.inject(Fault("hang_up"))
    with pytest.raises(LinkError):
        stage.status("source.x")
    made.line.mend()
    if not under_way:
        made.motor("source.x").start(2.0)
        made.clock.sleep(5.0)
    expected = "the line broke while it moved" if under_way else r"was at 1 mm, now it reads 2 mm"
    assert re.search(expected, stage.status("source.x").fault)
    with pytest.raises(MotionFaultError, match=expected):
        stage.start_move("source.x", 0.0)
    assert not stage.status("mirror.tip").fault
    stage.acknowledge()
    stage.start_move("source.x", 0.5)
    assert stage.wait("source.x").position == pytest.approx(0.5)


@pytest.mark.parametrize("link", LINKS)
def test_unplugged_in_mid_move(rig: Any, link: str) -> None:
    """Unplugged while moving: an error now, and STOP says that it cannot be confirmed."""
    made = rig(link, clock=None if link == "loop" else RealClock())
    stage = made.open(quiet="30 ms", reply_timeout="0.3 s")
    stage.start_move("source.x", 4.0)
    made.line.inject(Fault("hang_up"))
    with pytest.raises(LinkError):
        stage.wait("source.x")
    with pytest.raises(LinkError, match=r"may still be moving. Use the controller's own stop"):
        stage.stop()
    stage.close()


def test_unplugged_while_the_order_leaves(rig: Any) -> None:
    """The outcome of the order is unknown, and so is the position; both are said."""
    made = rig()
    stage = made.open()
    made.line.inject(Fault("hang_up", "command"))
    with pytest.raises(AmbiguousMoveError, match=r"Its position cannot be read either"):
        stage.start_move("source.x", 1.0)


def test_write_that_stays_blocked_closes_the_line(rig: Any) -> None:
    """Bounded attempts, then the line is closed."""
    made = rig()
    stage = made.open()
    made.line.inject(*[Fault("block", "command")] * 9)
    with pytest.raises(LinkTimeoutError, match=r"took no bytes.*the line was closed"):
        stage.status("source.x")
    assert made.clock.now() < 30


def test_restart_in_mid_move(rig: Any) -> None:
    """After a restart position 0 is not believed: fault, not homed, no motion."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 2.0)
    made.clock.sleep(0.5)
    made.mover.reboot()
    status = stage.status("source.x")
    assert "started anew; its positions are not to be trusted" in status.fault
    assert not status.homed
    with pytest.raises(MotionFaultError, match=r"Home the axes.*Nothing was moved"):
        stage.start_move("mirror.tip", 0.001)
    assert "go" not in made.mover.heard[-1]


def test_alarm_stands_until_a_person_acknowledges_it(rig: Any) -> None:
    """An unasked alarm is not swallowed, blocks motion, and does not clear itself."""
    made = rig()
    stage = made.open()
    made.motor("mirror.tip").fault = "overheated"
    assert "alarm '!! 2 overheated'" in stage.status("source.x").fault
    made.motor("mirror.tip").fault = ""
    with pytest.raises(MotionFaultError, match=r"Find the cause, then acknowledge"):
        stage.start_move("source.x", 1.0)
    assert stage.acknowledge() == ("!! 2 overheated",)
    stage.start_move("source.x", 1.0)
    assert stage.wait("source.x").fault == ""


def test_stall(rig: Any) -> None:
    """An axis that says that it moves and does not get there is late, and stopped."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 2.0)
    made.clock.sleep(0.3)
    made.motor("source.x").stall()
    with pytest.raises(MotionTimeoutError) as caught:
        stage.wait("source.x")
    text = str(caught.value)
    assert text.startswith("stage mount, axis source.x: was not at rest before the deadline")
    assert "asked for 2 mm, reads" in text
    assert "allowed are 0.0002 mm either way" in text
    assert "Check for a limit switch, a stall" in text
    assert made.mover.heard[-2].endswith("halt") or "halt" in " ".join(made.mover.heard)


def test_someone_elses_stop_is_not_an_arrival(rig: Any) -> None:
    """At rest short of the target is a fault, not success."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 2.0)
    made.clock.sleep(0.5)
    assert stage.status("source.x").moving
    made.motor("source.x").stop()
    with pytest.raises(MotionFaultError, match=r"came to rest short of its target"):
        stage.wait("source.x")


def test_lost_homing_refuses(rig: Any) -> None:
    """The controller's refusal comes through with its reason."""
    made = rig()
    made.motor("source.x").power_cycle()
    stage = made.open()
    assert not stage.status("source.x").homed
    with pytest.raises(MotionFaultError, match=r"refused with '#[0-9]+ no 5 unhomed'"):
        stage.start_move("source.x", 1.0)


def test_a_zero_that_is_lost_later_is_a_fault(rig: Any) -> None:
    """An axis that was homed and is not any more says so, and its place is not trusted."""
    made = rig()
    stage = made.open()
    assert stage.status("source.x").homed
    made.motor("source.x").power_cycle()
    status = stage.status("source.x")
    assert not status.homed
    assert "lost its zero" in status.fault


def test_stop_is_repeated_until_acknowledged(rig: Any) -> None:
    """A STOP that is lost is sent again; all axes come to rest."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 4.0)
    made.clock.sleep(0.2)
    made.line.inject(Fault("lose", "command"))
    stage.stop()
    made.clock.sleep(1.0)
    assert not made.motor("source.x").moving
    assert made.motor("source.x").position < 4.0


def test_closing_stops_what_moves(rig: Any) -> None:
    """Closing leaves no axis moving, lets go of the port, and may be repeated."""
    made = rig()
    stage = made.open()
    stage.start_move("source.x", 4.0)
    made.clock.sleep(0.2)
    stage.close()
    stage.close()
    made.clock.sleep(1.0)
    assert not made.motor("source.x").moving
    made.open().status("source.x")


def test_echo_that_was_not_announced(rig: Any) -> None:
    """An echo is never taken for an answer; the message names the setting."""
    made = rig(echo=True)
    with pytest.raises(WrongDeviceError, match=r"sends back what it is asked.*'echo = true'"):
        made.open(echo=False)


def test_a_late_answer_on_an_echoing_line(rig: Any) -> None:
    """A late answer before the echo is left aside: once it was blamed on the wrong device."""
    made = rig(echo=True, tagged=False)
    stage = made.open()
    for _ in range(4):
        made.line.inject(Fault("delay", seconds=1.3))
        assert stage.status("source.x").position == 0.0
    made.mover.say("at 1 +00000007")
    assert stage.identity() == made.mover.identity
    assert stage.status("source.x").position == 0.0


def test_an_echo_that_was_announced_and_does_not_come(rig: Any) -> None:
    """The message names the setting."""
    made = rig()
    with pytest.raises(WrongDeviceError, match=r"did not come back.*set 'echo = false'"):
        made.open(echo=True)


def test_a_line_that_is_given_up_in_mid_move_is_told_to_stop(rig: Any) -> None:
    """Nonsense in mid-move ends with STOP before the line is closed: it ended without it once."""
    made = rig(tagged=False)
    stage = made.open(reply_timeout="0.2 s")
    stage.start_move("source.x", 4.0)
    made.mover.serial = "0666"
    made.line.inject(Fault("lose"))
    with pytest.raises(WrongDeviceError, match=r"STOP was sent for what may be moving"):
        stage.wait("source.x")
    made.clock.sleep(1.0)
    assert not made.motor("source.x").moving
    assert abs(made.motor("source.x").true_position()) < 3.9


def test_announced_echo_is_checked(rig: Any) -> None:
    """With echo on, the echo must equal what was sent."""
    made = rig(echo=True)
    stage = made.open()
    stage.start_move("source.x", 1.0)
    assert stage.wait("source.x").position == pytest.approx(1.0)
    made.line.inject(Fault("flip", at=2, bit=0))
    assert stage.status("source.x").position == pytest.approx(1.0)
