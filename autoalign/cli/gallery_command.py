"""``autoalign gallery``: pictures of simulated benches, aligned and with each axis misaligned."""

from __future__ import annotations

from collections.abc import Callable, Iterator
from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.output import page_file, print_facts, print_text
from autoalign.cli.progress import telling

if TYPE_CHECKING:
    from autoalign.report import GalleryCase

__all__ = ["gallery"]


def gallery(
    *benches: str,
    output: Path = Path("gallery.html"),
    seed: int = 0,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Write an HTML page of camera frames of simulated benches, aligned and misaligned.

    Each bench is shown aligned, and then with each axis misaligned in both directions by a visible
    amount: the camera frames, the measured ellipse, and in words what an ideal bench would show.

    Parameters
    ----------
    benches
        Simulated benches, separated by spaces or commas; all by default. "autoalign plugins
        simulations" lists them.
    output
        HTML file to write.
    seed
        Seed of each bench.
    json
        Print the result as JSON.
    """
    from autoalign.cli.compare_command import listed  # noqa: PLC0415
    from autoalign.cli.numbers import checked_seed  # noqa: PLC0415
    from autoalign.report import write_gallery  # noqa: PLC0415 - heavy

    checked_seed("--seed", seed)
    page_file("--output", output)
    kinds = listed("simulations", benches or ("all",), "gallery")
    counted: dict[str, int] = {}
    with telling(every=0) as tell:
        page = write_gallery(_cases(kinds, seed, counted, tell), output)
    if json:
        print_facts({"page": page, "cases": counted})
    else:
        for kind, cases in counted.items():
            print_text(f"{kind}: {cases} cases")
        print_text(f"Gallery  {page}", wrap=False)
    return 0


def _cases(
    kinds: list[str], seed: int, counted: dict[str, int], tell: Callable[[str], None]
) -> Iterator[GalleryCase]:
    """Yield every case, and tell of each axis once as it begins."""
    from autoalign.beam import measure_beam  # noqa: PLC0415
    from autoalign.core.errors import UsageError  # noqa: PLC0415
    from autoalign.plugins import plugin  # noqa: PLC0415
    from autoalign.report import gallery_cases, simulated_render  # noqa: PLC0415

    for kind in kinds:
        simulate = plugin("simulations", kind)
        with simulate(seed).bench() as bench:
            layout = bench.layout
        if layout is None:
            raise UsageError(f"gallery: the simulated bench {kind!r} has no optical layout.")
        render = simulated_render(simulate, layout, seed)
        begun = ""
        for case in gallery_cases(layout, render, measure_beam, kind):
            if begun != (begun := case.label.split()[0]):
                tell(f"Rendering {kind}: {begun}")
            counted[kind] = counted.get(kind, 0) + 1
            yield case
