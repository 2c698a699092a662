"""What was found, as data: a code, what it is about, numbers with their units, how grave it is.

Everything decides by :attr:`Finding.code` and :attr:`Finding.severity`; the sentence that a person
reads is made in one room, :mod:`autoalign.messages`, and only when somebody asks for it.
"""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass, field
from enum import StrEnum

__all__ = ["Amount", "Finding", "Severity"]


class Severity(StrEnum):
    """What a finding does.

    A ``NOTE`` tells; a ``WARNING`` wants to be checked by a person; a ``VETO`` keeps a measurement
    from being called in spec; a ``FAULT`` says that something of the bench is wrong.
    """

    NOTE = "note"
    WARNING = "warning"
    VETO = "veto"
    FAULT = "fault"


@dataclass(frozen=True, slots=True)
class Amount:
    """A number of a finding in its inner unit ("mm", "rad", "s", "1"), with its standard
    uncertainty ``u`` where that is known."""

    value: float
    unit: str = "1"
    u: float | None = None


@dataclass(frozen=True, slots=True)
class Finding:
    """One thing that was found; ``str()`` gives its sentence.

    Parameters
    ----------
    code
        Stable name of what was found, for programs ("axis-reversed"). A plug-in's begins with its
        own name and a colon.
    subject
        The axis, plane, detector or term that it is about; two are joined by ", ".
    numbers
        By name, with their units.
    severity
        What it does.
    details
        Texts that belong to it: the name of another axis, what a driver reported. Nothing ever
        decides by them.
    """

    code: str
    subject: str = ""
    numbers: Mapping[str, Amount] = field(default_factory=dict)
    severity: Severity = Severity.WARNING
    details: Mapping[str, str] = field(default_factory=dict)

    @property
    def subjects(self) -> tuple[str, ...]:
        """What it is about, one by one."""
        return tuple(s for s in self.subject.split(", ") if s)

    def __str__(self) -> str:
        """Return the sentence that a person reads."""
        from autoalign.messages.findings import sentence  # noqa: PLC0415 - the one way up

        return sentence(self)
