"""``autoalign align``: one alignment of the bench that a file describes."""

from __future__ import annotations

from pathlib import Path
from typing import TYPE_CHECKING, Annotated

from cyclopts import Parameter

from autoalign.cli.numbers import checked_measurements, checked_seed
from autoalign.cli.output import calibration_file

if TYPE_CHECKING:
    from autoalign.config import BenchFile
    from autoalign.session.actions import Budget

__all__ = ["align", "budget_of", "checked_strategy"]


def align(
    bench: Path,
    /,
    *,
    strategy: str | None = None,
    budget: int | None = None,
    seed: int = 0,
    calibration: Path | None = None,
    fresh: Annotated[bool, Parameter(negative="")] = False,
    best_effort: Annotated[bool, Parameter(negative="")] = False,
    output: Path | None = None,
    yes: Annotated[bool, Parameter(negative="")] = False,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Align the bench that a bench file describes.

    Measures, moves and measures again until every term is in spec, and verifies that after the
    last move; otherwise it returns to the best position found, measures there, and says so. Ctrl-C
    stops every axis and closes the journal.

    Before the first move of a real bench, once every controller and every camera has answered, a
    caution is printed, which you confirm with Enter. Axes that a person turns go first, with every
    motor at rest; before motors start again you are asked whether hands are clear.

    Cautions: motors start without warning and the beam swings. Block the beam or dim it to
    alignment power; wear eyewear for its wavelength; take off watches and rings; block what passes
    the edge of the optic; keep hands away. A person in the beam's way is not detected, and the
    program never switches the light off. Local rules, the laser safety officer and licensed
    practice decide; software limits and stops are no safety function.

    Parameters
    ----------
    bench
        Bench file (TOML).
    strategy
        Search strategy; by default that of the bench file. "autoalign plugins strategies" lists
        them.
    budget
        Maximum number of measurements, including the first and the final check; by default
        that of the bench file.
    seed
        Seed of the random numbers that strategies may use; the same seed draws the same.
    calibration
        Calibration file kept from earlier runs, with which the next alignment starts;
        written after every run that was verified to be in spec. By default it is beside
        the bench file, "bench.calibration.json" for "bench.toml"; the packaged examples have none.
    fresh
        Ignore the calibration file.
    best_effort
        Align even where some term can never be shown to be in spec, because the uncertainties
        stated in the bench file are too large for its tolerance; otherwise nothing is moved then.
        Such a run ends not in spec (exit code 1), with the beam as good as can be shown.
    output
        Folder for the journal, the picture and the report; by default a new one in the
        user's data folder. An earlier run is never overwritten.
    yes
        Print the caution and go on without waiting for Enter: for scripts, once the precautions
        have been taken. Without it a real bench needs a terminal, else nothing is opened (exit
        code 2). Questions to turn a screw, and whether hands are clear after one, still need a
        person.
    json
        Print the result as JSON.
    """
    from autoalign.cli.caution import caution, check_attended  # noqa: PLC0415
    from autoalign.cli.running import carry_out, exit_code, print_run  # noqa: PLC0415 - heavy
    from autoalign.config import read_bench_file  # noqa: PLC0415
    from autoalign.run.calibration_file import calibration_path  # noqa: PLC0415

    checked_seed("--seed", seed)
    kept = calibration_file("--calibration", calibration)
    file = read_bench_file(bench)
    chosen = checked_strategy(strategy) or file.strategy
    folder = output or default_folder(file.tables.bench.name)
    check_attended(file, yes)
    with file.open() as opened:
        caution(file, opened, yes)
        run = carry_out(
            opened,
            folder,
            strategy=chosen,
            budget=budget_of(file, budget),
            seed=seed,
            calibration=kept or calibration_path(bench),
            fresh=fresh,
            best_effort=best_effort,
        )
        print_run(run, json)
        return exit_code(run)


def checked_strategy(name: str | None) -> str | None:
    """Return ``name`` once it is known to exist; before any hardware is opened."""
    if name is not None:
        from autoalign.plugins import plugin  # noqa: PLC0415

        plugin("strategies", name)
    return name


def budget_of(file: BenchFile, measurements: int | None = None) -> Budget:
    """Return the file's budget, with ``measurements`` in place of the file's where given."""
    import math  # noqa: PLC0415

    from autoalign.session.actions import Budget  # noqa: PLC0415

    table = file.tables.budget
    measurements = (
        table.measurements if measurements is None else checked_measurements(measurements)
    )
    return Budget(measurements, math.inf if table.time is None else table.time)


def default_folder(bench: str) -> Path:
    """Return a new folder's name in the user's data folder, for a run of the bench so called."""
    from datetime import datetime  # noqa: PLC0415

    from platformdirs import user_data_path  # noqa: PLC0415

    plain = "-".join("".join(c if c.isalnum() else " " for c in bench.lower()).split())
    stamp = datetime.now().astimezone().strftime("%Y%m%d-%H%M%S")
    return user_data_path("autoalign") / "runs" / f"{stamp}-{plain}"
