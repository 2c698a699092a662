"""``autoalign plugins``: what is installed, and the schema of bench files that follows from it."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from autoalign.cli.output import print_facts, print_table, print_text

__all__ = ["plugins"]


def plugins(
    group: str | None = None,
    /,
    *,
    schema: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """List strategies, drivers, simulated benches, merit terms and observers.

    A plug-in that cannot be used is listed with the reason; it never stops the others.

    Parameters
    ----------
    group
        strategies, stages, detectors, simulations, terms or observers; all where not given.
    schema
        Print the JSON schema of bench files instead, with the keys of every installed driver, for
        an editor that completes and checks TOML.
    json
        Print facts as JSON.
    """
    if schema:
        from autoalign.config import bench_schema  # noqa: PLC0415

        print_facts(bench_schema())
        return 0
    from autoalign.plugins import GROUPS, catalogue  # noqa: PLC0415

    found = catalogue(group)
    if json:
        keys = ("group", "name", "target", "package", "version", "summary", "problem")
        print_facts([{key: getattr(info, key) for key in keys} for info in found])
        return 0
    for title in dict.fromkeys(info.group for info in found):
        print_text(f"{title} (each a {GROUPS[title]})".replace("a observer", "an observer"))
        rows = [
            (i.name, f"{i.package} {i.version}", "BROKEN" if i.broken else i.summary)
            for i in found
            if i.group == title
        ]
        print_table(("name", "package", "what it is"), rows)
        print_text()
    for info in found:
        if info.broken:
            print_text(f"BROKEN {info.group} {info.name}: {info.problem}")
    return 0
