"""``autoalign where`` and ``autoalign stop``: where the axes are, and that they rest."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

if TYPE_CHECKING:
    from collections.abc import Mapping

    from autoalign.bench import Bench
    from autoalign.core.interfaces import AxisStatus

__all__ = ["stop", "where"]


def where(
    bench: Path,
    /,
    *,
    save: str | None = None,
    saved: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Show the position, the state and the soft limits of every axis; nothing is moved.

    A bench whose ports another program has open is not asked. Exit code 3 if an axis has a fault.

    Parameters
    ----------
    bench
        Bench file (TOML).
    save
        Save the positions under this name, in a file beside the bench file: "bench.positions.json"
        for "bench.toml". "autoalign move --to" goes there.
    saved
        List the saved positions instead; nothing is opened.
    json
        Print the result as JSON.
    """
    from autoalign.cli.by_hand import NamedPositions  # noqa: PLC0415
    from autoalign.cli.exits import Exit  # noqa: PLC0415
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.core.errors import UsageError  # noqa: PLC0415

    file = read_bench_file(bench)
    if saved:
        units: dict[str, str] = {a.name: a.unit for axes in file.axes.values() for a in axes}
        _print_saved(NamedPositions(bench).read(), units, json)
        return 0
    with file.open(detectors=False) as opened:
        statuses = opened.statuses()
        _print_axes(opened, statuses, json)
        if save is not None:
            moving = [n for n, s in statuses.items() if s.moving]
            if moving:
                raise UsageError(f"nothing was saved: {', '.join(moving)} in motion.")
            positions = {n: s.position for n, s in statuses.items()}
            NamedPositions(bench).save(save, positions)
    return Exit.FAULT if any(s.fault for s in statuses.values()) else Exit.IN_SPEC


def stop(bench: Path, /, *, json: Annotated[bool, Parameter(negative="")] = False) -> int:
    """Stop every axis of a bench, and see that each comes to rest.

    For axes that were left moving. While another program has the ports open, its own Ctrl-C is what
    stops them; this command is refused then. It is no emergency stop: that has to be hardware.

    Parameters
    ----------
    bench
        Bench file (TOML).
    json
        Print the result as JSON.
    """
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy

    with read_bench_file(bench).open(detectors=False) as opened:
        opened.bring_to_rest()
        _print_axes(opened, opened.statuses(), json)
    return 0


def _print_axes(bench: Bench, statuses: Mapping[str, AxisStatus], json: bool) -> None:
    from autoalign.cli.output import print_facts, print_table, print_text  # noqa: PLC0415
    from autoalign.core.units import edge, edge_unit  # noqa: PLC0415
    from autoalign.messages.words import stated  # noqa: PLC0415

    if json:
        print_facts({"axes": {n: _facts(bench, n, s) for n, s in statuses.items()}})
        return
    rows = []
    for name, status in statuses.items():
        axis = bench.axes[name]
        unit = edge_unit(axis.unit)
        limits = f"{stated(axis.lower, axis.unit)} … {stated(axis.upper, axis.unit)}"
        at = f"{edge(status.position, axis.unit):.6g} {unit}"
        rows.append((name, at, _state(bench, name, status), limits))
    print_table(("axis", "position", "state", "soft limits"), rows)
    for name, status in statuses.items():
        if status.fault:
            print_text(f"• {name}: {status.fault}", indent="  ")


def _state(bench: Bench, name: str, status: AxisStatus) -> str:
    axis = bench.axes[name]
    words = ["in motion" if status.moving else "at rest"]
    if axis.by_hand:
        words = ["turned by hand"]
    if not status.homed:
        words.append("not homed")
    if status.fault:
        words.append("FAULT")
    if not axis.lower <= status.position <= axis.upper:
        words.append("beyond its soft limits")
    if name not in bench.free_axes:
        words.append("locked")
    return ", ".join(words)


def _facts(bench: Bench, name: str, status: AxisStatus) -> dict[str, Any]:
    from autoalign.core.units import edge, edge_unit  # noqa: PLC0415

    axis = bench.axes[name]
    return {
        "position": edge(status.position, axis.unit),
        "soft_limits": [edge(axis.lower, axis.unit), edge(axis.upper, axis.unit)],
        "unit": edge_unit(axis.unit),
        "moving": status.moving,
        "homed": status.homed,
        "fault": status.fault,
        "by_hand": axis.by_hand,
        "locked": name not in bench.free_axes,
    }


def _print_saved(held: dict[str, dict[str, float]], units: dict[str, str], json: bool) -> None:
    from autoalign.cli.output import print_facts, print_table, print_text  # noqa: PLC0415
    from autoalign.core.units import edge, edge_unit  # noqa: PLC0415

    shown = {
        name: {a: (edge(p, units[a]), edge_unit(units[a])) for a, p in kept.items() if a in units}
        for name, kept in held.items()
    }
    if json:
        print_facts(
            {
                n: {a: {"position": p, "unit": u} for a, (p, u) in k.items()}
                for n, k in shown.items()
            }
        )
        return
    if not shown:
        print_text("No positions are saved.")
        return
    rows = [(name, a, f"{p:.6g} {u}") for name, kept in shown.items() for a, (p, u) in kept.items()]
    print_table(("name", "axis", "position"), rows)
