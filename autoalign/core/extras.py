"""Packages that are installed only where somebody asks for what needs them."""

from __future__ import annotations

import importlib.util

from autoalign.core.errors import MissingExtraError

__all__ = ["require_extra"]


def require_extra(who: str, extra: str, *modules: str) -> None:
    """Check that ``modules`` are installed, without importing them.

    Parameters
    ----------
    who
        What needs them, as the error is to begin: "strategy dfo-ls".
    extra
        The extra of this package that brings them.

    Raises
    ------
    MissingExtraError
        Where one is missing; it names the extra and how to install it.
    """
    if any(importlib.util.find_spec(module) is None for module in modules):
        raise MissingExtraError(
            f"{who} needs the extra {extra!r}: pip install 'autoalign[{extra}]'."
        )
