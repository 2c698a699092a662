"""The simulated instrument keeps to IEEE 488.2 and SCPI-99 (section numbers from memory)."""

from __future__ import annotations

import pytest
from autoalign_simulators.controllers import ScpiMeter
from autoalign_simulators.controllers.scpi_words import matches, short_form
from hypothesis import given
from hypothesis import strategies as st

from autoalign.core.clock import VirtualClock


@pytest.fixture
def meter() -> ScpiMeter:
    """Return an instrument that measures 1.5 mW."""
    return ScpiMeter(VirtualClock(), lambda: 1.5e-3)


def ask(meter: ScpiMeter, message: str) -> str:
    """Send a message and return what comes at once."""
    meter.feed(message.encode() + b"\n")
    return meter.take().decode()


# SCPI-99 volume 1, 6.2.1: the examples of the rule for short forms
@pytest.mark.parametrize(
    ("word", "short"),
    [
        ("auto", "auto"),
        ("immediate", "imm"),
        ("output", "outp"),
        ("timer", "tim"),
        ("free", "free"),
        ("measure", "meas"),
        ("power", "pow"),
        ("system", "syst"),
        ("error", "err"),
    ],
)
def test_short_forms(word: str, short: str) -> None:
    """Four letters, or three where the fourth is a vowel."""
    assert short_form(word) == short


@pytest.mark.parametrize("sent", ["SYST:ERR?", "system:error?", ":Syst:Error?", "SYSTEM:ERR?"])
def test_headers_match_long_or_short_in_any_case(sent: str) -> None:
    """Each keyword long or short, nothing between, any case (SCPI-99 volume 1, 6.2)."""
    assert matches("SYSTem:ERRor?", sent)


@pytest.mark.parametrize("sent", ["SYSTE:ERR?", "SYS:ERR?", "SYST:ERR", "SYST", "SYST:ERR:NEXT?"])
def test_headers_that_do_not_match(sent: str) -> None:
    """Anything between short and long is another word."""
    assert not matches("SYSTem:ERRor?", sent)


# IEEE 488.2-1992, 10.1: the mandatory common commands
@pytest.mark.parametrize(
    "command",
    [
        "*CLS", "*ESE 0", "*ESE?", "*ESR?", "*IDN?", "*OPC", "*OPC?", "*RST", "*SRE 0", "*SRE?",
        "*STB?", "*TST?", "*WAI",
    ],
)  # fmt: skip
def test_mandatory_common_commands(meter: ScpiMeter, command: str) -> None:
    """All thirteen are there: queries answer, none is an error."""
    assert bool(ask(meter, command)) == command.endswith("?")
    assert ask(meter, "SYST:ERR?") == '0,"No error"\n'


def test_identification_has_four_fields(meter: ScpiMeter) -> None:
    """Maker, model, serial number, release between commas (IEEE 488.2, 10.14)."""
    assert len(ask(meter, "*IDN?").split(",")) == 4


def test_event_register_reads_and_clears(meter: ScpiMeter) -> None:
    """Power-on is 128, a command error 32, operation complete 1; reading clears (11.5.1)."""
    assert ask(meter, "*ESR?") == "128\n"
    ask(meter, "BLUE")
    ask(meter, "*OPC")
    assert ask(meter, "*ESR?") == "33\n"
    assert ask(meter, "*ESR?") == "0\n"


def test_status_byte_sums_up(meter: ScpiMeter) -> None:
    """4 error queue, 32 enabled event, 64 enabled summary (IEEE 488.2, 11.2; SCPI-99, 9)."""
    ask(meter, "*CLS;*ESE 32;*SRE 32")
    assert ask(meter, "*STB?") == "0\n"
    ask(meter, "BLUE")
    assert ask(meter, "*STB?") == "100\n"
    ask(meter, "*CLS")
    assert ask(meter, "*STB?") == "0\n"


@pytest.mark.parametrize(
    ("message", "entry"),
    [
        ("BLUE?", '-113,"Undefined header"'),
        ("*IDN? 5", '-108,"Parameter not allowed"'),
        ("*ESE", '-109,"Missing parameter"'),
        ("*ESE 256", '-222,"Data out of range"'),
        ("*SRE blue", '-224,"Illegal parameter value"'),
    ],
)
def test_error_queue(meter: ScpiMeter, message: str, entry: str) -> None:
    """Each mistake has its number and text (SCPI-99 volume 2, 21.8), first in, first out."""
    assert ask(meter, message) == ""
    assert ask(meter, "SYST:ERR?") == f"{entry}\n"
    assert ask(meter, "SYST:ERR:NEXT?") == '0,"No error"\n'


def test_queue_overflow(meter: ScpiMeter) -> None:
    """The last entry of a full queue becomes −350 (SCPI-99 volume 2, 21.8.1)."""
    for _ in range(20):
        ask(meter, "BLUE")
    entries = [ask(meter, "SYST:ERR?") for _ in range(9)]
    assert entries[6:] == [
        '-113,"Undefined header"\n', '-350,"Queue overflow"\n', '0,"No error"\n',
    ]  # fmt: skip


def test_measures(meter: ScpiMeter) -> None:
    """Units of a message between semicolons are answered together."""
    assert ask(meter, "MEAS:POW?;*OPC?") == "+1.500000E-03;1\n"


@given(st.binary(max_size=60))
def test_any_bytes_are_survived(data: bytes) -> None:
    """Whatever comes, it answers afterwards."""
    meter = ScpiMeter(VirtualClock(), lambda: 0.0)
    meter.feed(data + b"\n")
    meter.take()
    assert ask(meter, "*IDN?").endswith("1.0\n")
