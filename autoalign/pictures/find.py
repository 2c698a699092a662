"""Which files a file, a folder or a pattern means."""

from __future__ import annotations

import glob
from collections.abc import Iterable, Sequence
from pathlib import Path

from autoalign.core.errors import UsageError

__all__ = ["SUFFIXES", "find_pictures"]

SUFFIXES = (
    ".png", ".tif", ".tiff", ".bmp", ".pgm", ".npy", ".fits", ".fit", ".fits.gz", ".fit.gz", ".raw",
)  # fmt: skip
"""Endings of the files that are taken for pictures in a folder."""


def find_pictures(places: Sequence[str | Path]) -> list[Path]:
    """Return the files that ``places`` (files, folders, patterns) mean, in order, each once.

    The sidecar of a raw file is no picture, also where a pattern takes it in.

    Raises
    ------
    UsageError
        For a place that does not exist, or where there is no picture.
    """
    found: list[Path] = []
    for place in places:
        path = Path(place)
        if path.is_dir():
            files = sorted(p for p in path.iterdir() if p.name.lower().endswith(SUFFIXES))
        elif path.exists():
            files = [path]
        else:
            named = sorted(Path(n) for n in glob.glob(str(place), recursive=True))  # noqa: PTH207
            files = _without_sidecars(p for p in named if p.is_file())
        if not files:
            known = ", ".join(SUFFIXES)
            raise UsageError(f"{place}: there is no picture here. Supported: {known}.")
        found += files
    return list(dict.fromkeys(found))


def _without_sidecars(files: Iterable[Path]) -> list[Path]:
    files = list(files)
    raw = {p.with_suffix("") for p in files if p.suffix.lower() == ".raw"}
    return [p for p in files if not (p.suffix.lower() == ".json" and p.with_suffix("") in raw)]
