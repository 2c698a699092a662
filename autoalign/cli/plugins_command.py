"""``autoalign plugins``: what is installed, and the keys of bench files that follow from it."""

from __future__ import annotations

from typing import Annotated

from cyclopts import Parameter

from autoalign.cli.output import print_facts, print_table, print_text

__all__ = ["plugins"]


def plugins(
    group: str | None = None,
    /,
    *,
    keys: Annotated[bool, Parameter(negative="")] = False,
    schema: Annotated[bool, Parameter(negative="")] = False,
    examples: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """List search strategies, drivers, layouts, simulated benches, merit terms and observers.

    A plug-in that cannot be used is listed with the reason and does not affect the others. Where a
    name is offered more than once, it means the plug-in that comes with autoalign; another is
    listed, and written, as package:name.

    Parameters
    ----------
    group
        strategies, stages, detectors, layouts, simulations, problems, terms or observers; by
        default all.
    keys
        Print every key of a bench file instead: unit, allowed values, default and meaning, with
        the keys of every installed driver and term.
    schema
        Print the JSON schema of bench files instead, for an editor that completes and checks TOML.
    examples
        Print the paths of the annotated example bench files instead.
    json
        Print the result as JSON.
    """
    if schema:
        from autoalign.config import bench_schema  # noqa: PLC0415

        print_facts(bench_schema())
        return 0
    if keys:
        _print_keys(json)
        return 0
    if examples:
        _print_examples(json)
        return 0
    from autoalign.plugins import catalogue  # noqa: PLC0415

    found = catalogue(group)
    if json:
        facts = ("group", "name", "target", "package", "version", "summary", "problem", "clash")
        print_facts([{name: getattr(info, name) for name in facts} for info in found])
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
    for clash in dict.fromkeys(f"{i.group} {i.clash}" for i in found if i.clash):
        print_text(f"CLASH {clash}")
    return 0


def _print_examples(json: bool) -> None:
    from autoalign.config import EXAMPLES, example  # noqa: PLC0415 - heavy

    paths = {name: str(example(name)) for name in EXAMPLES}
    if json:
        print_facts(paths)
        return
    for name, path in paths.items():
        print_text(f"{name:<10}  {path}", wrap=False)


def _print_keys(json: bool) -> None:
    from dataclasses import asdict  # noqa: PLC0415

    from autoalign.config import bench_keys  # noqa: PLC0415 - heavy

    sections = bench_keys()
    if json:
        print_facts([asdict(section) for section in sections])
        return
    for section in sections:
        print_text(section.title, wrap=False)
        print_text(section.description, indent="  ")
        for key in section.keys:
            facts = ", ".join(filter(None, (key.kind, key.allowed)))
            default = key.default if key.default == "required" else f"default {key.default}"
            print_text()
            print_text(f"{key.name}: {facts}; {default}", indent="  ", hanging="      ")
            print_text(key.description, indent="      ")
        print_text()
