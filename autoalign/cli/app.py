"""The commands, their help, and how errors are reported."""

from __future__ import annotations

from typing import Any

from cyclopts import App, CycloptsError, UnusedCliTokensError

from autoalign.cli import align_command as align
from autoalign.cli import benchmark_command as benchmark
from autoalign.cli import check_command as check
from autoalign.cli import compare_command as compare
from autoalign.cli import demo_command as demo
from autoalign.cli import gallery_command as gallery
from autoalign.cli import measure_command as measure
from autoalign.cli import plan_command as plan
from autoalign.cli import plugins_command as plugins
from autoalign.cli import report_command as report
from autoalign.cli import watch_command as watch
from autoalign.cli.exits import Exit, exit_of
from autoalign.cli.output import print_facts, warn
from autoalign.core.errors import AlignError

__all__ = ["build_app", "run_command"]

_NAMES = (
    "demo", "plan", "check", "measure", "align", "watch", "compare", "benchmark", "report",
    "gallery", "plugins",
)  # fmt: skip

HELP = """\
Align optical benches with motors and cameras: move a source and an off-axis parabolic mirror until
the beam is collimated, round and points in the right direction.
"""

EPILOGUE = """\
Exit codes: 0 done or in spec · 1 not in spec · 2 usage or bench file · 3 hardware fault · 4 \
paused or latched · 130 interrupted.

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
        demo.demo, plan.plan, check.check, measure.measure, align.align, watch.watch,
        compare.compare, benchmark.benchmark, report.report, gallery.gallery, plugins.plugins,
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
    except CycloptsError as error:
        command = next((a for a in arguments[:1] if not a.startswith("-")), "")
        asked = f"autoalign {command} --help" if command in _NAMES else "autoalign --help"
        return _failed(arguments, Exit.USAGE, error, f"{_usage(error)}\n{asked} lists the options.")
    except AlignError as error:
        return _failed(arguments, exit_of(error), error, str(error))
    except KeyboardInterrupt as error:
        return _failed(arguments, Exit.INTERRUPTED, error, "interrupted.")
    except BrokenPipeError:
        return Exit.NOT_IN_SPEC
    except OSError as error:
        if error.filename is None and error.errno is None:
            raise
        return _failed(arguments, Exit.USAGE, error, _file_trouble(error))


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
