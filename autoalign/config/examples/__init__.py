"""Annotated bench files that come with the package."""

from __future__ import annotations

from pathlib import Path

from autoalign.core.errors import unknown_name

__all__ = ["EXAMPLES", "example"]

EXAMPLES = ("demo", "focuser", "own-bench", "relay", "steering")
"""Names of the examples."""


def example(name: str) -> Path:
    """Return the file of the example ``name``."""
    if name not in EXAMPLES:
        raise unknown_name("example", name, EXAMPLES)
    return Path(__file__).with_name(f"{name}.toml")
