"""``autoalign gallery``: pictures of simulated benches, aligned and with each axis off."""

from __future__ import annotations

from collections.abc import Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.output import note, print_facts, print_text
from autoalign.cli.outputs import page_file

if TYPE_CHECKING:
    from autoalign.report import GalleryCase

__all__ = ["gallery"]


def gallery(
    benches: str = "all",
    /,
    *,
    output: Path = Path("gallery.html"),
    seed: int = 0,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Write one HTML page that shows what simulated benches look like when an axis is off.

    Each bench aligned, and then with every axis off to both sides, by as much as shows: what the
    cameras see, the measured ellipse, and in words what an ideal bench would show.

    Parameters
    ----------
    benches
        Families of simulated benches, separated by commas, or "all".
    output
        Where the HTML file goes.
    seed
        Which bench of each family is drawn.
    json
        Print facts as JSON.
    """
    from autoalign.cli.compare_command import listed  # noqa: PLC0415
    from autoalign.cli.numbers import checked_seed  # noqa: PLC0415
    from autoalign.report import write_gallery  # noqa: PLC0415 - heavy

    checked_seed("--seed", seed)
    page_file("--output", output)
    families = listed("simulations", benches, "gallery")
    counted: dict[str, int] = {}
    page = write_gallery(_cases(families, seed, counted), output)
    if json:
        print_facts({"page": page, "cases": counted})
    else:
        for family, cases in counted.items():
            print_text(f"{family}: {cases} cases")
        print_text(f"Gallery  {page}", wrap=False)
    return 0


def _cases(families: list[str], seed: int, counted: dict[str, int]) -> Iterator[GalleryCase]:
    from autoalign.beam import measure_beam  # noqa: PLC0415
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.plugins import plugin  # noqa: PLC0415
    from autoalign.report import gallery_cases, simulated_render  # noqa: PLC0415

    for family in families:
        note(f"rendering: {family}")
        simulate = plugin("simulations", family)
        with simulate(seed).bench() as bench:
            layout = bench.layout
        if layout is None:
            raise UsageError(f"gallery: the simulated bench {family!r} has no layout to trace.")
        render = simulated_render(simulate, layout, seed)
        for case in gallery_cases(layout, render, measure_beam, family):
            counted[family] = counted.get(family, 0) + 1
            yield case
