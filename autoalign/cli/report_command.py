"""``autoalign report``: from the journal of a run to one HTML file."""

from __future__ import annotations

from pathlib import Path
from typing import Annotated

from cyclopts import Parameter

from autoalign.cli.output import page_file, picture_file, print_facts, print_text

__all__ = ["report"]


def report(
    journal: Path,
    /,
    *,
    output: Path | None = None,
    picture: Path | None = None,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Write the report of a run as one self-contained HTML file.

    The report shows the frames at the start and the end with the measured ellipse, the
    convergence, the axes, the verdict with its uncertainties, the limits of the report, and the
    cautions. It also works for a run that was interrupted.

    Parameters
    ----------
    journal
        Journal of the run (run.db), or its folder. For the folder of a watch, the page shows its
        state, the trends of the last days, its decisions and its incidents.
    output
        HTML file to write; by default beside the journal.
    picture
        Also write a PNG summary of the run.
    json
        Print the result as JSON.
    """
    from autoalign.journal import read_journal  # noqa: PLC0415
    from autoalign.messages.verdict_words import headline, verdict_text  # noqa: PLC0415
    from autoalign.report import draw_run, record_of, write_report  # noqa: PLC0415

    if (
        journal.is_dir()
        and not (journal / "run.db").exists()
        and (journal / "status.json").exists()
    ):
        return _of_watch(journal, output, picture, json)
    if journal.is_dir():
        journal = journal / "run.db"
    wanted = page_file("--output", output or journal.with_suffix(".html"))
    if picture is not None:
        picture_file("--picture", picture)
    record = record_of(read_journal(journal))
    page = write_report(record, wanted)
    drawn = draw_run(record, picture) if picture is not None else None
    if json:
        print_facts(
            {
                "in_spec": record.in_spec,
                "headline": headline(record),
                "report": page,
                "picture": drawn,
            }
        )
        return 0
    print_text(f"{headline(record)}. {verdict_text(record)}")
    print_text(f"Report   {page}", wrap=False)
    if drawn is not None:
        print_text(f"Picture  {drawn}", wrap=False)
    return 0


def _of_watch(folder: Path, output: Path | None, picture: Path | None, json: bool) -> int:
    """Write the page of a watch."""
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.watch.page import write_watch_page  # noqa: PLC0415 - heavy
    from autoalign.watch.status import read_status  # noqa: PLC0415

    if picture is not None:
        raise UsageError("report: --picture is for a run; the page of a watch holds its trends.")
    page = write_watch_page(folder, page_file("--output", output or folder / "watch.html"))
    facts = read_status(folder)
    if json:
        print_facts({"in_spec": facts["in_spec"], "state": facts["state"], "report": page})
        return 0
    print_text(f"{str(facts['state']).capitalize()}: {facts['reason']}")
    print_text(f"Report   {page}", wrap=False)
    return 0
