"""Command lines with places for values, and nothing that can be executed."""

from __future__ import annotations

import re

__all__ = ["Template"]

_PLACE = re.compile(r"\{([^{}]*)\}")


class Template:
    """A command such as ``go {axis} {counts}``.

    Raises ``ValueError`` for a place whose name is not in ``allowed``, a lone brace, or characters
    that are not printable ASCII.
    """

    def __init__(self, text: str, allowed: frozenset[str]) -> None:
        if not (text.isascii() and (text.isprintable() or not text)):
            raise ValueError(f"command {text!r} holds characters that are not printable ASCII")
        self.text = text
        self.names = frozenset(_PLACE.findall(text))
        unknown = sorted(self.names - allowed)
        if unknown:
            known = ", ".join(f"{{{n}}}" for n in sorted(allowed))
            raise ValueError(f"command {text!r}: {{{unknown[0]}}} is unknown; allowed are {known}")
        if set("{}") & set(_PLACE.sub("", text)):
            raise ValueError(f"command {text!r} has a brace that is not closed or not opened")

    def __repr__(self) -> str:
        return f"Template({self.text!r})"

    def fill(self, **values: str) -> str:
        """Return the command with every place filled. Raises ``KeyError`` for a missing value."""
        return _PLACE.sub(lambda match: values[match[1]], self.text)
