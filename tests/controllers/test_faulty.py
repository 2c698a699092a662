"""The bad cable: each fault does what its name says, and only once, and the same for a seed."""

from __future__ import annotations

import numpy as np
import pytest
from autoalign_simulators.controllers import Mover, WriteBlocked
from autoalign_simulators.links import Fault, FaultRates, FaultyLine

GOOD = b"at 1 +00000000\r\n"


@pytest.mark.parametrize(
    ("fault", "now", "later"),
    [
        (Fault("lose"), b"", b""),
        (Fault("drop", at=5), b"at 1 00000000\r\n", b""),
        (Fault("flip", at=0, bit=1), b"ct 1 +00000000\r\n", b""),
        (Fault("double", at=0), b"aat 1 +00000000\r\n", b""),
        (Fault("repeat", seconds=1.0), GOOD, GOOD),
        (Fault("delay", seconds=1.0), b"", GOOD),
        (Fault("split", at=4, seconds=1.0), b"at 1", b" +00000000\r\n"),
        (Fault("lose", "command"), b"", b""),
        (Fault("drop", "command", at=0), b"no 1 command\r\n", b""),
        (Fault("delay", "command", seconds=1.0), b"", GOOD),
        (Fault("repeat", "command", seconds=1.0), GOOD, GOOD),
    ],
)
def test_each_fault_once(mover: Mover, fault: Fault, now: bytes, later: bytes) -> None:
    """What comes at once, what comes later; the next passage is whole again."""
    line = FaultyLine(mover)
    line.inject(fault)
    line.feed(b"at 1\r")
    assert line.take() == now
    mover.clock.sleep(1.0)
    assert line.take() == later
    line.feed(b"at 1\r")
    assert line.take() == GOOD
    assert line.happened == [fault]


def test_merge_joins_two_passages(mover: Mover) -> None:
    """A merged passage comes with the next one, in order."""
    line = FaultyLine(mover)
    line.inject(Fault("merge"))
    line.feed(b"at 1\r")
    assert line.take() == b""
    line.feed(b"is 1\r")
    assert line.take() == GOOD + b"is 1 resting homed\r\n"


def test_blocked_writes(mover: Mover) -> None:
    """``block`` lets nothing through, ``block_after`` everything: the host cannot tell."""
    line = FaultyLine(mover)
    line.inject(Fault("block", "command"), Fault("block_after", "command"))
    for arrived in (False, True):
        with pytest.raises(WriteBlocked):
            line.feed(b"go 1 5\r")
        assert (b"go 1" in line.take()) is arrived


def test_babble_goes_on_until_it_ends(mover: Mover) -> None:
    """Noise without end while it lasts; then the line is quiet."""
    line = FaultyLine(mover, rng=np.random.default_rng(1))
    line.inject(Fault("babble", seconds=1.0))
    line.feed(b"at 1\r")
    assert len(line.take()) > len(GOOD)
    assert len(line.take()) == 64
    assert line.due() == mover.clock.now()
    mover.clock.sleep(1.0)
    assert line.take() == b""
    assert line.due() is None


def test_hang_up_loses_what_was_under_way_until_mended(mover: Mover) -> None:
    """Bytes in the cable are lost with it."""
    line = FaultyLine(mover)
    line.inject(Fault("hang_up"))
    line.feed(b"at 1\r")
    assert line.take() == b""
    assert line.hung_up
    line.mend()
    assert not line.hung_up
    assert line.take() == b""


def test_random_faults_repeat_with_the_seed(mover: Mover) -> None:
    """Same seed, same faults; about as many as the rates say."""

    def run(seed: int) -> list[Fault]:
        rates = FaultRates(drop=0.1, flip=0.1, lose=0.1)
        line = FaultyLine(mover, rates, np.random.default_rng(seed))
        for _ in range(300):
            line.feed(b"at 1\r")
            line.take()
        return line.happened

    first = run(4)
    assert first == run(4)
    assert first != run(5)
    assert {f.kind for f in first} == {"drop", "flip", "lose"}
    # about 500 passages at 0.3: mean 150, standard deviation 10
    assert 100 < len(first) < 230
