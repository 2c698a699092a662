"""The fenced blocks of README.md, each with its language, its marker and its text."""

from __future__ import annotations

import re
from dataclasses import dataclass
from pathlib import Path

__all__ = ["BLOCKS", "README", "Block"]

README = (Path(__file__).parents[2] / "README.md").read_text(encoding="utf-8")
_BLOCK = re.compile(r"(?:<!-- (\w+) -->\n)?```(\w*)\n(.*?)```", re.DOTALL)


@dataclass(frozen=True)
class Block:
    """One fenced block; ``marker`` is the word of the comment before it, or ""."""

    marker: str
    language: str
    text: str


BLOCKS = [Block(m[1] or "", m[2], m[3]) for m in _BLOCK.finditer(README)]
