"""What a bench file says about a serial port and the manners of speech on it."""

from __future__ import annotations

import re
from typing import Annotated, Literal

from pydantic import AfterValidator, Field, field_validator

from autoalign_drivers.checksums import LineChecksum
from autoalign_drivers.grammar import Grammar
from autoalign_drivers.unit_texts import Seconds, Settings

__all__ = [
    "NETWORK_SCHEMES",
    "LineEnd",
    "LineSettings",
    "Pattern",
    "PortSettings",
    "Query",
    "SpeechSettings",
    "checked_port",
]


def _pattern(text: str) -> str:
    try:
        Grammar(text)
    except re.error as error:
        raise ValueError(f"{text!r} cannot be used as a pattern: {error}") from None
    return text


Pattern = Annotated[str, AfterValidator(_pattern)]

NETWORK_SCHEMES = ("socket", "rfc2217")
"""Ports on the network."""

_OWN_SCHEME = "bench"
"""Ports of simulated controllers inside this process."""


def checked_port(port: str) -> str:
    """Return ``port``; other kinds that pyserial knows may write files or search for devices.

    Raises
    ------
    ValueError
        For a URL of another scheme or with anything beyond host and port, and for characters that
        cannot be part of a name.
    """
    if not port.isprintable():
        raise ValueError(f"port {port!r} holds characters that are not printable")
    scheme, separator, rest = port.partition("://")
    if not separator or scheme.lower() == _OWN_SCHEME:
        return port
    allowed = "a device path, socket://host:port or rfc2217://host:port"
    if scheme.lower() not in NETWORK_SCHEMES:
        raise ValueError(f"port {port!r} is of no kind that is used here; give {allowed}")
    if not re.fullmatch(r"(\[[0-9A-Fa-f:.]+\]|[A-Za-z0-9._-]+):[0-9]{1,5}", rest):
        raise ValueError(f"port {port!r} is not host and port number; give {allowed}")
    return port


class PortSettings(Settings):
    """A serial port."""

    port: str = Field(
        min_length=1,
        description="Device path (/dev/serial/by-id/…, COM3), or a serial port on the network: "
        "socket://host:port, or rfc2217://host:port where the far end sets the line.",
    )
    baudrate: int = Field(default=115200, gt=0, description="Line speed, bit/s.")
    bytesize: Literal[5, 6, 7, 8] = Field(default=8, description="Data bits of a character.")
    parity: Literal["none", "even", "odd", "mark", "space"] = Field(
        default="none", description="Parity bit of a character."
    )
    stopbits: Literal[1, 2] = Field(default=1, description="Stop bits after a character.")
    rtscts: bool = Field(default=False, description="Hardware handshake on RTS and CTS.")
    write_timeout: Seconds = Field(
        default=1.0, gt=0, le=60, description="Longest time that sending a command may take."
    )

    @field_validator("port")
    @classmethod
    def _known_kind_of_port(cls, port: str) -> str:
        return checked_port(port)


class Query(Settings):
    """A command and the answer to it."""

    send: str = Field(description="The command, with {places} for values.")
    reply: Pattern | None = Field(
        default=None,
        description="Regular expression that the whole answer matches; none: no answer comes.",
    )
    closing: Pattern | None = Field(
        default=None,
        description="Where an answer has several lines: what the last one matches. Of those "
        "before it, the one that matches 'reply' counts.",
    )
    bare: bool = Field(default=False, description="Whether it is sent without a line end.")


def _line_end(text: str) -> str:
    if not text.isascii() or not text.replace("\r", "").replace("\n", "x").isprintable():
        raise ValueError(
            f"{text!r} is no line end; CR, LF and printable ASCII characters may be in it"
        )
    return text


LineEnd = Annotated[str, Field(min_length=1), AfterValidator(_line_end)]


class SpeechSettings(PortSettings):
    """Question and answer on a port, whatever the words."""

    reply_timeout: Seconds = Field(
        default=1.0, gt=0, le=60, description="Longest time to wait for an answer."
    )
    quiet: Seconds = Field(
        default=0.1,
        gt=0,
        le=10,
        description="Silence that counts as the end of everything late; at least the "
        "controller's longest delay.",
    )
    retries: int = Field(
        default=2, ge=0, le=10, description="How often a query is repeated; never a move."
    )
    interval: Seconds = Field(
        default=0.0,
        ge=0,
        le=10,
        description="Least time from one command to the next. A stop does not wait for it.",
    )
    address: str = Field(
        default="",
        max_length=16,
        description="What stands in the place {address} of every command. A group 'address' of an "
        "answer must be the same.",
    )


class LineSettings(SpeechSettings):
    """Command lines and answer lines in ASCII."""

    command_end: LineEnd = Field(default="\r\n", description="End of a command line.")
    reply_end: LineEnd = Field(default="\n", description="End of an answer line.")
    echo: bool = Field(default=False, description="Whether every command comes back first.")
    line_cap: int = Field(default=256, ge=16, le=65536, description="Longest answer line, bytes.")
    identity: Query = Field(
        description="Asks who is there; the answer must match, or nothing else is sent. A group "
        "'identity' picks the part that tells one device from another."
    )
    presence: Query | None = Field(
        default=None,
        description="A sign of life, where the identity cannot be asked for while axes move.",
    )
    errors: list[Pattern] = Field(
        default_factory=list, description="Answers by which the controller refuses a command."
    )
    alarms: list[Pattern] = Field(
        default_factory=list, description="Lines that tell of an alarm, unasked."
    )
    banners: list[Pattern] = Field(
        default_factory=list, description="Lines that tell of a restart, unasked."
    )
    chatter: list[Pattern] = Field(
        default_factory=list, description="Lines that come unasked and mean nothing."
    )
    prompt: str = Field(
        default="",
        max_length=16,
        description="What the controller writes, without a line end, when it is ready for the "
        "next command; it is taken off the answers.",
    )
    checksum: LineChecksum | None = Field(
        default=None,
        description="Checksum at the end of every command and answer; an answer with a wrong one "
        "is asked for again.",
    )
