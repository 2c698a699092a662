"""One run of a campaign, as one row of its CSV file."""

from __future__ import annotations

import csv
import io
import os
from collections.abc import Callable, Iterable
from dataclasses import asdict, dataclass, fields
from pathlib import Path
from typing import Any

from autoalign.errors import UsageError

__all__ = ["Case", "Outcome", "append_rows", "read_rows"]


@dataclass(frozen=True, slots=True, order=True)
class Case:
    """What is run: one strategy on one bench drawn from one seed.

    With a ``drift`` above 0 the bench is aligned first, then every axis drifts by up to this part
    of the range that its misalignment was drawn from, and only the alignment after that counts;
    what the strategy remembers of the first is given to the second.
    """

    strategy: str
    bench: str
    seed: int
    drift: float = 0.0

    @property
    def where(self) -> str:
        """The bench in words, as tables and pictures name it."""
        return f"{self.bench}, drift {self.drift:g}" if self.drift else self.bench


@dataclass(frozen=True, slots=True)
class Outcome:
    """How one case ended.

    Parameters
    ----------
    claimed
        Whether the run ended in spec by its own measurement.
    reached
        Whether the noise-free truth at the final position is in spec; this is what counts.
    probes
        Looks until the end, the first and the verifying one included.
    moves
        Moves carried out.
    bench_seconds
        Time that passed on the bench's clock.
    own_seconds
        Median time of the search's own thinking per look, s of this computer.
    travel_mm, travel_rad
        Summed travel of the axes.
    merit_first, merit_last
        Noise-free merit at the start and at the end (1 = at the tolerances, rms).
    status
        How the run ended, in a word; the name of the error where it broke off.
    reason
        The same in a sentence.
    drift
        See :class:`Case`.
    diagnosis
        What the strategy says is wrong with the bench; empty where nothing is.
    """

    strategy: str
    bench: str
    seed: int
    claimed: bool
    reached: bool
    probes: int
    moves: int
    bench_seconds: float
    own_seconds: float
    travel_mm: float
    travel_rad: float
    merit_first: float
    merit_last: float
    status: str
    reason: str
    drift: float = 0.0
    diagnosis: str = ""

    @property
    def case(self) -> Case:
        """Which case it was."""
        return Case(self.strategy, self.bench, self.seed, self.drift)


_NAMES = tuple(f.name for f in fields(Outcome))
_READERS: dict[str, Callable[[str], object]] = {
    "str": str,
    "int": int,
    "float": float,
    "bool": lambda text: text == "True",
}


def append_rows(path: Path, rows: Iterable[Outcome]) -> None:
    """Add ``rows`` to the CSV file at ``path``; make it with its header where it is not there.

    A last line that was cut off in writing is dropped first.
    """
    if path.exists():
        os.truncate(path, path.read_bytes().rfind(b"\n") + 1)
    fresh = not path.exists() or path.stat().st_size == 0
    with path.open("a", newline="", encoding="utf-8") as file:
        writer = csv.DictWriter(file, _NAMES, lineterminator="\n")
        if fresh:
            writer.writeheader()
        for row in rows:
            writer.writerow(asdict(row))


def read_rows(path: Path) -> list[Outcome]:
    """Read a campaign's CSV file; a last line that was cut off in writing is left out.

    Raises
    ------
    UsageError
        For a file that is not a campaign of this library, with the columns that are missing.
    """
    text = path.read_text(encoding="utf-8")
    text = text[: text.rfind("\n") + 1]
    reader = csv.DictReader(io.StringIO(text, newline=""))
    missing = [n for n in _NAMES if n not in (reader.fieldnames or ())]
    if text and missing:
        raise UsageError(
            f"{path}: not a campaign file; columns missing: {', '.join(missing)}. "
            "Name another file, or move this one aside."
        )
    return [_row(line) for line in reader]


def _row(line: dict[str, str]) -> Outcome:
    values: dict[str, Any] = {f.name: _READERS[str(f.type)](line[f.name]) for f in fields(Outcome)}
    return Outcome(**values)
