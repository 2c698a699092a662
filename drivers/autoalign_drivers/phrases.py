"""A command and what may be answered to it."""

from __future__ import annotations

from dataclasses import dataclass

from autoalign.core.errors import ReplyError
from autoalign_drivers.grammar import Grammar
from autoalign_drivers.port_settings import Query
from autoalign_drivers.templates import Template

__all__ = ["PLACES", "Phrase", "RefusedError", "RestartedError"]

PLACES = frozenset({"axis", "counts", "value", "tag", "address"})
"""Places that a command may have."""


class RefusedError(ReplyError):
    """The controller understood that it was asked something, and refused."""


class RestartedError(ReplyError):
    """The controller has started anew; nothing that it says of positions can be trusted."""


@dataclass(frozen=True, slots=True)
class Phrase:
    """A command and the grammar of its answer; None where no answer comes.

    ``closing`` ends an answer of several lines; a ``bare`` command is sent without a line end.
    """

    template: Template
    grammar: Grammar | None
    closing: Grammar | None = None
    bare: bool = False

    @classmethod
    def of(cls, query: Query) -> Phrase:
        """Compile a query of the settings."""
        grammar = None if query.reply is None else Grammar(query.reply)
        closing = None if query.closing is None else Grammar(query.closing)
        return cls(Template(query.send, PLACES), grammar, closing, query.bare)
