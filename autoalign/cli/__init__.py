"""The command line: ``autoalign --help`` lists the commands."""

from __future__ import annotations

import sys
from collections.abc import Sequence

__all__ = ["main"]


def main(arguments: Sequence[str] | None = None) -> int:
    """Carry out the command line and return its exit code (see :mod:`autoalign.cli.exits`)."""
    from autoalign.cli.app import run_command  # noqa: PLC0415
    from autoalign.cli.output import flush  # noqa: PLC0415

    code = run_command(list(sys.argv[1:] if arguments is None else arguments))
    flush()
    return code
