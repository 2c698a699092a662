"""A bench file's table for a line-ASCII controller: every mistake is named."""

from __future__ import annotations

import tomllib
from typing import Any

import pytest
from autoalign_drivers.channels import channels_of
from autoalign_drivers.line_settings import LineAsciiSettings
from hypothesis import example, given
from hypothesis import strategies as st
from pydantic import ValidationError

from autoalign.core.axes import Axis
from autoalign.core.errors import UnknownNameError, UsageError

TABLE = """
port = "/dev/serial/by-id/made-up"
command_end = "\\r"
identity = { send = "ID", reply = "BENCH 7" }
move = { send = "M{axis}={counts}", reply = "OK" }
position = { send = "P{axis}", reply = "(?P<counts>[+-][0-9]{8})" }
state = { send = "S{axis}", reply = "(?P<state>[A-Z]+)" }
stop = { send = "STOP", reply = "OK" }
resting = ["REST"]
moving = ["MOVE"]

[axes."source.x"]
channel = "1"
unit = "um"
per_count = -0.5
offset = 100
"""


def table(**changes: Any) -> dict[str, Any]:
    """Return a right table with ``changes``."""
    return {**tomllib.loads(TABLE), **changes}


def test_a_right_table_is_taken_from_toml() -> None:
    """What a bench file says is understood as it stands, whole numbers for decimals included."""
    settings = LineAsciiSettings.model_validate(table())
    assert settings.axes["source.x"].per_count == -0.5
    assert settings.axes["source.x"].offset == 100.0


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"baudrate": "9600"}, "valid integer"),
        ({"baud": 9600}, "Extra inputs are not permitted"),
        ({"port": ""}, "at least 1 character"),
        ({"write_timeout": "0 s"}, "greater than 0"),
        ({"write_timeout": 1.0}, "has no unit"),
        ({"settle": "1 mm"}, "is a length; wanted is a time"),
        ({"identity": {"send": "ID"}}, "identity.reply is missing"),
        ({"identity": {"send": "#{tag} ID", "reply": "BENCH"}}, r"group \(\?P<identity>"),
        ({"position": {"send": "P", "reply": "[0-9]+"}}, r"group \(\?P<counts>…\) or"),
        ({"position": {"send": "P", "reply": "("}}, "cannot be used as a pattern"),
        ({"move": {"send": "M{axis}"}}, r"needs the place \{counts\} or \{value\}"),
        ({"move": {"send": "M{axle}={counts}"}}, r"\{axle\} is unknown"),
        ({"state": {"send": "S", "reply": "[A-Z]+"}}, r"group \(\?P<state>"),
        ({"moving": ["REST"]}, "both resting and moving"),
        ({"resting": []}, "give the words for .state. that mean resting"),
        ({"axes": {}}, "at least 1 item"),
        ({"axes": {"a": {"channel": "1", "unit": "um", "per_count": 0.0}}}, "must not be 0"),
        ({"axes": {"a": {"channel": "1", "unit": "um", "per_count": float("nan")}}}, "finite"),
        ({"axes": {"a": {"channel": "1", "unit": "inch", "per_count": 1.0}}}, "'m', 'mm', 'um'"),
    ],
)
def test_mistakes(changes: dict[str, Any], message: str) -> None:
    """Each mistake is refused with what is allowed."""
    with pytest.raises(ValidationError, match=message):
        LineAsciiSettings.model_validate(table(**changes))


def test_every_field_is_described() -> None:
    """The schema for editors says of every key what it is."""
    schema = LineAsciiSettings.model_json_schema()
    models = [schema, *schema["$defs"].values()]
    silent = [
        key
        for model in models
        for key, field in model.get("properties", {}).items()
        if not field.get("description")
    ]
    assert silent == []


def test_channel_arithmetic_with_sign_and_offset() -> None:
    """Position = count × size + offset, in the unit named, the sign included."""
    axis = Axis("source.x", "mm", -5, 5)
    entries = LineAsciiSettings.model_validate(table()).axes
    channel = channels_of("stage s", {"source.x": axis}, entries)["source.x"]
    assert channel.values(0.1)["counts"] == "0"
    assert channel.values(0.0)["counts"] == "200"
    assert channel.read({"counts": "+00000200"}, "here") == pytest.approx(0.0, abs=1e-15)
    assert channel.read({"value": "-200.0"}, "here") == pytest.approx(0.2)


@given(
    st.floats(-5, 5),
    st.floats(1e-5, 0.3) | st.floats(-0.3, -1e-5),
    st.floats(-1, 1),
    st.integers(0, 4),
)
@example(5.0, 0.3, 0.0, 0)
@example(-5.0, 0.3, 0.1, 1)
@example(5.0, -0.3, 0.0, 2)
@example(5.0, 0.017453292519943295, 0.0, 2)
def test_targets_stay_inside_the_limits(
    target: float, size: float, offset: float, decimals: int
) -> None:
    """Rounding to counts or decimals moves by at most one of them and never out of the limits."""
    axis = Axis("source.x", "mm", -5, 5)
    entry = {
        "channel": "1",
        "unit": "mm",
        "per_count": size,
        "offset": offset,
        "decimals": decimals,
    }
    entries = LineAsciiSettings.model_validate(table(axes={"source.x": entry})).axes
    channel = channels_of("stage s", {"source.x": axis}, entries)["source.x"]
    sent = channel.values(target)
    for group, step in (("counts", abs(size)), ("value", abs(size) * 10.0**-decimals)):
        reached = channel.read({group: sent[group]}, "here")
        assert -5 - 1e-9 * step <= reached <= 5 + 1e-9 * step
        assert abs(reached - target) <= step * (1 + 1e-9)
    assert len(sent["value"].partition(".")[2]) == decimals


def test_a_limit_that_has_more_decimals_than_the_controller_is_not_overstepped() -> None:
    """12.6996 mm with three decimals is sent as 12.699, and a limit that fits as itself."""
    entry = {"channel": "1", "unit": "mm", "per_count": 1.0, "decimals": 3}
    entries = LineAsciiSettings.model_validate(table(axes={"source.x": entry})).axes
    for limit, text in ((12.6996, "12.699"), (0.3, "0.300")):
        axis = Axis("source.x", "mm", -limit, limit)
        channel = channels_of("stage s", {"source.x": axis}, entries)["source.x"]
        assert channel.values(limit)["value"] == text
        assert channel.values(-limit)["value"] == f"-{text}"


@pytest.mark.parametrize(
    ("axis", "kind", "message"),
    [
        (Axis("source.x", "rad", -1, 1), UsageError, "in um, the axis in rad"),
        (Axis("source.y", "mm", -1, 1), UnknownNameError, "'source.x'.*Did you mean 'source.y'"),
    ],
)
def test_table_and_axes_must_fit(axis: Axis, kind: type[Exception], message: str) -> None:
    """A unit of the wrong kind and a name that is not on the bench are named."""
    entries = LineAsciiSettings.model_validate(table()).axes
    with pytest.raises(kind, match=message):
        channels_of("stage s", {axis.name: axis}, entries)


def test_two_axes_on_one_channel() -> None:
    """Swapped-in twins are refused before anything moves."""
    entry = {"channel": "1", "unit": "mm", "per_count": 0.1}
    with pytest.raises(ValidationError, match="axes a and b have the same channel '1'"):
        LineAsciiSettings.model_validate(table(axes={"a": entry, "b": entry}))


@pytest.mark.parametrize(
    ("changes", "message"),
    [
        ({"command_end": "\x13"}, "no line end"),
        ({"reply_end": "\n\x00"}, "no line end"),
        ({"axes": {"a": {"channel": "1\r2", "unit": "um", "per_count": 1.0}}}, "printable ASCII"),
    ],
)
def test_control_characters_are_refused(changes: dict[str, Any], message: str) -> None:
    """A bench file cannot put XOFF, or a second command, into what is sent."""
    with pytest.raises(ValidationError, match=message):
        LineAsciiSettings.model_validate(table(**changes))
