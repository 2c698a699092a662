"""``autoalign plugins``: what is installed, and the JSON schema of bench files."""

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
    """List search strategies, drivers, simulated benches, spec terms and observers.

    A plug-in that cannot be loaded is listed with the reason; the others still work.

    Parameters
    ----------
    group
        strategies, stages, detectors, simulations, terms or observers; all by default.
    schema
        Print the JSON schema of bench files, with the keys of every installed driver, for an
        editor that completes and checks TOML.
    json
        Print facts as JSON.
    """
    if schema:
        from autoalign.config import bench_schema  # noqa: PLC0415

        print_facts(bench_schema())
        return 0
    from autoalign.plugins import catalogue  # noqa: PLC0415

    found = catalogue(group)
    if json:
        keys = ("group", "name", "target", "package", "version", "summary", "problem")
        print_facts([{key: getattr(info, key) for key in keys} for info in found])
        return 0
    for title in dict.fromkeys(info.group for info in found):
        print_text(title.capitalize())
        rows = [
            (i.name, f"{i.package} {i.version}", "BROKEN" if i.broken else i.summary)
            for i in found
            if i.group == title
        ]
        print_table(("name", "package", "description"), rows)
        print_text()
    for info in found:
        if info.broken:
            print_text(f"BROKEN {info.group} {info.name}: {info.problem}")
    return 0
