"""``autoalign export``: the measurements of a journal as a CSV table, for other programs."""

from __future__ import annotations

import csv
import io
import math
from collections.abc import Mapping
from pathlib import Path
from typing import TYPE_CHECKING, Any

if TYPE_CHECKING:
    from autoalign.journal import JournalRun, MeasurementRecord

__all__ = ["export", "measurement_rows"]


def export(journal: Path, /, *, output: Path | None = None) -> int:
    """Write the measurements of a run as CSV: one row each, one column for each figure.

    Columns are named with their units: positions in mm or mrad, terms of the spec with their
    standard uncertainties, centre and widths d_σ of each camera. It also works for a run that was
    interrupted; what is damaged in the journal is left out and named.

    Parameters
    ----------
    journal
        Journal of the run (run.db), or its folder.
    output
        CSV file to write, which must not exist yet; by default the table is printed.
    """
    from autoalign.cli.output import print_text, warn  # noqa: PLC0415
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.core.files import atomic_write  # noqa: PLC0415
    from autoalign.journal import read_journal  # noqa: PLC0415 - heavy

    if journal.is_dir():
        journal = journal / "run.db"
    if output is not None and output.exists():
        raise UsageError(f"--output {output}: the file exists already; name another one.")
    run = read_journal(journal)
    rows = measurement_rows(run)
    names = list(dict.fromkeys(name for row in rows for name in row))
    text = io.StringIO()
    table = csv.DictWriter(text, names, restval="", lineterminator="\n")
    table.writeheader()
    table.writerows(rows)
    for damage in run.damage:
        warn(str(damage))
    if output is None:
        print_text(text.getvalue().rstrip("\n"), wrap=False)
        return 0
    atomic_write(output, text.getvalue(), new=True)
    print_text(f"{len(rows)} measurements in {output}", wrap=False)
    return 0


def measurement_rows(run: JournalRun) -> list[dict[str, Any]]:
    """Return one row for each measurement of ``run``: figures by name with unit."""
    units = {a["name"]: a["unit"] for a in run.run.get("bench", {}).get("axes", ())}
    return [_row(record, units) for record in run.measurements]


def _row(record: MeasurementRecord, units: Mapping[str, str]) -> dict[str, Any]:
    from autoalign.core.units import edge, edge_unit  # noqa: PLC0415

    seen = record.measurement
    row: dict[str, Any] = {
        "measurement": record.number,
        "time": record.wall,
        "elapsed s": record.elapsed,
        "purpose": str(record.purpose),
    }
    for name, position in record.positions.items():
        unit = units.get(name, "mm")
        row[f"{name} {edge_unit(unit)}"] = edge(position, unit)
    row["merit"] = seen.merit if math.isfinite(seen.merit) else ""
    row["in spec"] = "yes" if seen.in_spec else "no"
    for term in seen.verdict.terms if seen.verdict is not None else ():
        unit = edge_unit(term.unit)
        row[f"{term.name} {unit}"] = edge(term.value, term.unit)
        row[f"u({term.name}) {unit}"] = edge(term.uncertainty, term.unit)
    for plane, profile in seen.profiles.items():
        (a, b), (c, d) = profile.view
        x, y = profile.centroid
        row[f"{plane} centre x mm"], row[f"{plane} centre y mm"] = a * x + b * y, c * x + d * y
        if profile.has_widths:
            row[f"{plane} d_σ 1 mm"], row[f"{plane} d_σ 2 mm"] = profile.widths
    row["findings"] = seen.failure
    return row
