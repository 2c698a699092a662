"""The commands, their help, and how errors are reported."""

from __future__ import annotations

from typing import Any

from cyclopts import App, CycloptsError, UnusedCliTokensError

from autoalign.cli import align_command as align
from autoalign.cli import benchmark_command as benchmark
from autoalign.cli import check_command as check
from autoalign.cli import compare_command as compare
from autoalign.cli import demo_command as demo
from autoalign.cli import export_command as export
from autoalign.cli import faults_command as faults
from autoalign.cli import gallery_command as gallery
from autoalign.cli import live_command as living
from autoalign.cli import measure_command as measure
from autoalign.cli import move_command as moving
from autoalign.cli import plan_command as plan
from autoalign.cli import plugins_command as plugins
from autoalign.cli import report_command as report
from autoalign.cli import soak_command as soak
from autoalign.cli import status_command as status
from autoalign.cli import talk_command as talking
from autoalign.cli import watch_command as watch
from autoalign.cli import where_command as standing
from autoalign.cli.exits import Exit, exit_of
from autoalign.cli.output import print_facts, warn
from autoalign.core.errors import AlignError

__all__ = ["build_app", "run_command"]

_NAMES = (
    "demo", "plan", "talk", "where", "move", "home", "stop", "live", "check", "measure", "align",
    "watch", "status", "incidents", "faults", "soak", "compare", "benchmark", "report", "export",
    "gallery", "plugins",
)  # fmt: skip

HELP = """\
Align optical benches with motors and cameras: move a source and an off-axis parabolic mirror until
the beam is collimated, round and points in the right direction.
"""

EPILOGUE = """\
Exit codes: 0 done or in spec · 1 not in spec · 2 usage or bench file · 3 hardware or plug-in \
fault · 4 paused or latched · 5 a defect of the program · 130 interrupted.

Laser light can harm eyes and skin, and motors start without warning. Local rules, the laser \
safety officer and licensed practice decide what may be done, not this program. Its limits and \
stops protect equipment; they are not a safety function. It never switches the light off.
"""


def build_app() -> App:
    """Return the application; building it imports nothing heavy."""
    app = App(
        name="autoalign",
        help=HELP,
        help_epilogue=EPILOGUE,
        help_format="markdown",
        version=_version,
        print_error=False,
        exit_on_error=False,
        suppress_keyboard_interrupt=False,
        result_action="return_value",
    )
    for command in (
        demo.demo, plan.plan, talking.talk, standing.where, moving.move, moving.home,
        standing.stop, living.live, check.check, measure.measure, align.align, watch.watch,
        status.status, status.incidents, faults.faults, soak.soak, compare.compare,
        benchmark.benchmark, report.report, export.export, gallery.gallery, plugins.plugins,
    ):  # fmt: skip
        app.command(command)
    app.register_install_completion_command(
        help="Install shell completion (bash, zsh, fish or powershell)."
    )
    return app


def run_command(arguments: list[str]) -> int:
    """Carry out one command line and return the exit code."""
    try:
        return int(build_app()(arguments) or 0)
    except BaseException as error:  # noqa: BLE001 - nothing that a command raises ends it unsaid
        # Whoever reads has closed the pipe; the library that prints help makes a SystemExit of it.
        if isinstance(error, BrokenPipeError) or isinstance(error.__context__, BrokenPipeError):
            return Exit.NOT_IN_SPEC
        code, words = _reported(arguments, error)
        return _failed(arguments, code, error, words)


def _reported(arguments: list[str], error: BaseException) -> tuple[Exit, str]:
    """Return with which code, and with what words, a command ends that raised ``error``."""
    if isinstance(error, CycloptsError):
        command = next((a for a in arguments[:1] if not a.startswith("-")), "")
        asked = f"autoalign {command} --help" if command in _NAMES else "autoalign --help"
        return Exit.USAGE, f"{_usage(error)}\n{asked} lists the options."
    if isinstance(error, AlignError):
        return exit_of(error), str(error)
    if isinstance(error, KeyboardInterrupt):
        return Exit.INTERRUPTED, "interrupted."
    if isinstance(error, OSError) and (error.filename is not None or error.errno is not None):
        return Exit.USAGE, _file_trouble(error)
    return Exit.DEFECT, _defect(error)


def _failed(arguments: list[str], code: Exit, error: BaseException, words: str) -> Exit:
    """Report an error on standard error, and under --json also as JSON on standard output."""
    notes = [str(note) for note in getattr(error, "__notes__", ())]
    warn(f"autoalign: {words}")
    for note in notes:
        warn(f"  {note}")
    if "--json" in arguments:
        about = {"kind": type(error).__name__, "message": words, "notes": notes}
        print_facts({"error": {**about, "exit_code": int(code)}})
    return code


def _defect(error: BaseException) -> str:
    """Return one sentence about a defect of this program; its traceback goes to a file."""
    import tempfile  # noqa: PLC0415
    import traceback  # noqa: PLC0415

    trace = "".join(traceback.format_exception(error))
    try:
        with tempfile.NamedTemporaryFile(
            "w", encoding="utf-8", prefix="autoalign-defect-", suffix=".txt", delete=False
        ) as file:
            file.write(trace)
        where = f"in {file.name}"
    except OSError:
        warn(trace)
        where = "above"
    said = " ".join(f"{type(error).__name__}: {error}".split()).rstrip(".")
    return (
        f"this is a defect of the program, not of the bench or of what was asked ({said}); the "
        f"traceback is {where}, please report it."
    )


def _file_trouble(error: OSError) -> str:
    """Return which file could not be read or written, and why; drivers have their own errors."""
    what = error.strerror or type(error).__name__
    where = f"{error.filename}: " if error.filename is not None else ""
    return (
        f"{where}{what[0].lower()}{what[1:]}. Name another file or folder, or free space on the "
        "disk and check the permissions of this one."
    )


def _usage(error: CycloptsError) -> str:
    if isinstance(error, UnusedCliTokensError):
        tokens = error.unused_tokens or []
        return f"{', '.join(map(repr, tokens))}: unexpected arguments."
    return " ".join(str(error).split())


def _version() -> Any:
    from importlib.metadata import version  # noqa: PLC0415

    return version("autoalign")
