"""What the commands for moving by hand share: typed targets, named positions, journals."""

from __future__ import annotations

import json
import os
from collections.abc import Iterator, Mapping, Sequence
from contextlib import contextmanager
from pathlib import Path
from typing import TYPE_CHECKING, Any

from autoalign.core.errors import UsageError, unknown_name

if TYPE_CHECKING:
    from autoalign.bench import Bench
    from autoalign.config import BenchFile

__all__ = [
    "NamedPositions",
    "journal_folder",
    "last_move",
    "new_journal",
    "opened_to_move",
    "typed_targets",
]

FORMAT = "autoalign named positions"


def typed_targets(words: Sequence[str], bench: Bench) -> dict[str, float]:
    """Return where each axis is to go, mm or rad by name, from what was typed.

    "source.x +0.1 mm" and "source.x by 0.1 mm" go on from where the axis is, "source.x to 1.5 mm"
    goes to a position.

    Raises
    ------
    UsageError
        For words that say neither, a unit that does not suit, and an axis that is not there.
    """
    axes, here = bench.axes, bench.positions()
    targets: dict[str, float] = {}
    words = list(words)
    while words:
        name = words.pop(0)
        if name not in axes:
            raise unknown_name("axis", name, axes, f"bench {bench.name}")
        given = []
        while words and words[0] not in axes:
            given.append(words.pop(0))
        if name in targets:
            raise UsageError(f"axis {name} is named twice. Nothing was moved.")
        targets[name] = _target(name, given, axes[name].unit, here[name])
    return targets


def _target(name: str, given: list[str], unit: str, here: float) -> float:
    from autoalign.core.units import quantity  # noqa: PLC0415

    example = "+0.1 mm" if unit == "mm" else "+0.1 mrad"
    how = given.pop(0) if given and given[0] in ("to", "by") else ""
    text = " ".join(given)
    if not text:
        raise UsageError(
            f"axis {name}: say how far, as in {name} {example}; or where, as in {name} to "
            f"{example[1:]}. Nothing was moved."
        )
    value = quantity(text, unit, example=example)
    if how == "to":
        return value
    if not how and text[0] not in "+-−":
        raise UsageError(
            f"axis {name}: {text!r} could be a distance or a position. Write {name} by {text} to "
            f"go on from where it is, or {name} to {text}. Nothing was moved."
        )
    return here + value


class NamedPositions:
    """Positions saved under names, in a file beside the bench file."""

    def __init__(self, bench_file: Path) -> None:
        self.path = bench_file.with_suffix(".positions.json")

    def read(self) -> dict[str, dict[str, float]]:
        """Return the positions of every axis, mm or rad, by name.

        Raises
        ------
        UsageError
            For a file that holds something else.
        """
        try:
            held = json.loads(self.path.read_text(encoding="utf-8"))
        except FileNotFoundError:
            return {}
        except (OSError, ValueError) as error:
            raise UsageError(f"positions {self.path}: cannot be read ({error}).") from None
        try:
            if held["format"] != FORMAT:
                raise KeyError(FORMAT)
            return {
                str(name): {str(a): float(p) for a, p in kept["positions"].items()}
                for name, kept in held["saved"].items()
            }
        except (KeyError, TypeError, ValueError, AttributeError):
            raise UsageError(
                f"positions {self.path}: this is no file of named positions; move it away."
            ) from None

    def save(self, name: str, positions: Mapping[str, float]) -> None:
        """Keep ``positions`` (mm or rad by axis) under ``name``."""
        from autoalign.messages.serialise import write_facts  # noqa: PLC0415

        if not name.strip() or not name.isprintable():
            raise UsageError(f"{name!r} is no name for positions.")
        saved: dict[str, Any] = {n: {"positions": p} for n, p in self.read().items()}
        saved[name] = {"positions": dict(positions)}
        held = {"format": FORMAT, "units": "mm or rad", "saved": saved}
        write_facts(self.path, held)

    def recall(self, name: str) -> dict[str, float]:
        """Return the positions saved under ``name``."""
        held = self.read()
        if name not in held:
            raise unknown_name("saved position", name, held, str(self.path))
        return held[name]


def journal_folder(bench: str, output: Path | None) -> Path:
    """Return the folder of the journals of moves by hand on the bench so called."""
    if output is not None:
        return output
    from platformdirs import user_data_path  # noqa: PLC0415

    plain = "-".join("".join(c if c.isalnum() else " " for c in bench.lower()).split())
    return user_data_path("autoalign") / "moves" / plain


def new_journal(folder: Path) -> Path:
    """Return the name of a new journal; later names sort after earlier ones."""
    from datetime import UTC, datetime  # noqa: PLC0415

    stamp = datetime.now(UTC).strftime("%Y%m%d-%H%M%S-%f")
    return folder / f"{stamp}-{os.getpid()}.db"


def last_move(folder: Path) -> dict[str, float]:
    """Return where the axes of the last move by hand started, mm or rad by name.

    Raises
    ------
    UsageError
        Where there is none.
    """
    from autoalign.journal import read_journal  # noqa: PLC0415 - heavy

    for path in sorted(folder.glob("*.db"), reverse=True):
        record = read_journal(path)
        if record.run.get("strategy") == "move" and record.moves:
            start: dict[str, float] = {}
            for move in record.moves:
                for name in move.targets:
                    start.setdefault(name, move.start[name])
            return start
    raise UsageError(f"no earlier move is on record in {folder}; nothing was moved.")


@contextmanager
def opened_to_move(file: BenchFile, yes: bool) -> Iterator[Bench]:
    """Open the stages alone, give the caution, wait for Enter, and stop everything if interrupted.

    Raises
    ------
    UsageError
        Where nobody could answer and ``yes`` was not given; nothing was opened.
    """
    from autoalign.cli.caution import caution, check_attended  # noqa: PLC0415
    from autoalign.cli.running import politely  # noqa: PLC0415

    check_attended(file, yes)
    with file.open(detectors=False) as bench:
        caution(file, bench, yes)
        with politely():
            yield bench
