"""``autoalign live``: what every camera and meter sees now, in the terminal and as a local page."""

from __future__ import annotations

import math
from collections.abc import Iterator
from dataclasses import dataclass
from pathlib import Path
from typing import TYPE_CHECKING, Annotated, Any

from cyclopts import Parameter

if TYPE_CHECKING:
    from autoalign.beam.profile import BeamProfile
    from autoalign.bench import Bench
    from autoalign.core.frames import Frame
    from autoalign.journal import Thumbnail

__all__ = ["Seen", "live", "views"]

_SHADES = " .:-=+*#%@"
_COLUMNS, _ROWS = 48, 16


@dataclass(frozen=True, slots=True)
class Seen:
    """What one detector saw.

    ``figures`` are names and values with units; ``centre`` (x, y) mm; ``ellipse`` column, row, semi
    axes and turn (degrees) on the ``thumbnail`` of ``size`` (columns, rows).
    """

    name: str
    figures: tuple[tuple[str, str], ...] = ()
    problem: str = ""
    centre: tuple[float, float] | None = None
    thumbnail: Thumbnail | None = None
    size: tuple[int, int] = (0, 0)
    ellipse: tuple[float, float, float, float, float] | None = None
    picture: tuple[str, ...] = ()


def live(
    bench: Path,
    /,
    *,
    page: Annotated[bool, Parameter(negative="")] = False,
    port: int = 0,
    interval: str = "0.2 s",
    count: int | None = None,
    json: Annotated[bool, Parameter(negative="")] = False,
) -> int:
    """Show what every camera and meter of a bench sees now, again and again; nothing is moved.

    Only cameras and meters are opened. Ctrl-C ends it.

    Parameters
    ----------
    bench
        Bench file (TOML).
    page
        Serve the view as a page to this computer alone as well, and print its address.
    port
        Port of that page; by default one that is free.
    interval
        Time from one view to the next.
    count
        End after so many views.
    json
        Print one line of JSON for each view.
    """
    from autoalign.cli.live_page import LivePage  # noqa: PLC0415
    from autoalign.cli.numbers import whole  # noqa: PLC0415
    from autoalign.cli.output import warn  # noqa: PLC0415
    from autoalign.config import read_bench_file  # noqa: PLC0415 - heavy
    from autoalign.core.units import quantity  # noqa: PLC0415

    pause = quantity(interval, "s", example="0.2 s")
    left = math.inf if count is None else whole("--count", count, 1)
    whole("--port", port, 0, 65535)
    file = read_bench_file(bench)
    with file.open(stages=False) as opened:
        served = LivePage(f"{opened.name}, live", port) if page else None
        try:
            if served is not None:
                warn(f"The page is at {served.url} until this ends.")
            with _shown(json) as show:
                for seen in views(opened, pause, left):
                    show(seen)
                    if served is not None:
                        served.show(seen)
        except KeyboardInterrupt:
            warn("Ended.")
        finally:
            if served is not None:
                served.close()
    return 0


def views(bench: Bench, pause: float, count: float = math.inf) -> Iterator[tuple[Seen, ...]]:
    """Yield what every detector of ``bench`` sees, ``count`` times, ``pause`` s apart."""
    from autoalign.core.errors import DetectorError  # noqa: PLC0415

    clock = bench.clock
    while count > 0:
        began = clock.now()
        seen = []
        for name, detector in bench.detectors.items():
            now = clock.now()
            try:
                (exposure,) = detector.acquire(1, now, now + 10.0)
            except DetectorError as error:
                seen.append(Seen(name, problem=str(error)))
                continue
            seen.append(_seen(name, exposure))
        yield tuple(seen)
        count -= 1
        clock.sleep(max(0.0, began + pause - clock.now()) if count > 0 else 0.0)


def _seen(name: str, exposure: Any) -> Seen:
    from autoalign.beam.frame.analyse import measure_beam  # noqa: PLC0415 - heavy
    from autoalign.core.errors import AlignError  # noqa: PLC0415
    from autoalign.core.frames import Frame  # noqa: PLC0415
    from autoalign.journal.thumbnails import make_thumbnail  # noqa: PLC0415

    if not isinstance(exposure, Frame):
        figures = tuple(
            (k, f"{v:.6g} {exposure.units.get(k, '')}".strip()) for k, v in exposure.values.items()
        )
        return Seen(name, figures)
    thumbnail = make_thumbnail(exposure)
    rows, columns = exposure.pixels.shape
    factor = thumbnail.pitch[0] / exposure.pitch_x
    size = (max(1, int(columns / factor)), max(1, int(rows / factor)))
    level = ("brightest pixel", _level(exposure))
    try:
        profile = measure_beam(exposure)
    except AlignError as error:
        return Seen(name, (level,), str(error), None, thumbnail, size)
    figures, centre = _figures(profile)
    flags = "; ".join(f"{f.kind}: {f.evidence}" for f in profile.flags.values())
    return Seen(
        name,
        (*figures, level),
        flags,
        centre,
        thumbnail,
        size,
        _ellipse(profile, thumbnail),
        _characters(exposure, profile),
    )


def _level(frame: Frame) -> str:
    peak = float(frame.pixels.max())
    full = frame.saturation
    return f"{peak:g}" if full is None else f"{100 * peak / full:.0f} % of full scale"


def _figures(
    profile: BeamProfile,
) -> tuple[tuple[tuple[str, str], ...], tuple[float, float] | None]:
    from autoalign.beam.profile import Use  # noqa: PLC0415

    if profile.use is Use.NOTHING:
        return (), None
    (a, b), (c, d) = profile.view
    x, y = profile.centroid
    centre = (a * x + b * y, c * x + d * y)
    figures = [("centre x, y", f"{centre[0]:+.4f}, {centre[1]:+.4f} mm")]
    if profile.has_widths:
        first, second = profile.widths
        figures.append(("d_σ", f"{first:.4f}, {second:.4f} mm"))
        figures.append(("ellipticity", f"{min(first, second) / max(first, second):.3f}"))
    return tuple(figures), centre


def _ellipse(
    profile: BeamProfile, thumbnail: Thumbnail
) -> tuple[float, float, float, float, float] | None:
    """Return the ellipse of the widths d_σ in pixels of the thumbnail."""
    import numpy as np  # noqa: PLC0415

    if not profile.has_widths:
        return None
    scale = np.array([1 / thumbnail.pitch[0], 1 / thumbnail.pitch[1]])
    squares, ways = np.linalg.eigh(profile.second_moments * np.outer(scale, scale))
    column, row = np.array(thumbnail.origin) + np.array(profile.centroid) * scale
    second, first = 2 * np.sqrt(np.maximum(squares, 0.0))
    turn = math.degrees(math.atan2(ways[1, 1], ways[0, 1]))
    return float(column), float(row), float(first), float(second), turn


def _characters(frame: Frame, profile: BeamProfile) -> tuple[str, ...]:
    """Return the picture in characters: + is the fiducial, X the centre of the beam."""
    import numpy as np  # noqa: PLC0415

    rows, columns = frame.pixels.shape
    at_row = np.linspace(0, rows, _ROWS + 1).astype(int)
    at_column = np.linspace(0, columns, _COLUMNS + 1).astype(int)
    if rows < _ROWS or columns < _COLUMNS:
        return ()
    sums = np.add.reduceat(
        np.add.reduceat(frame.pixels.astype(float), at_row[:-1], axis=0), at_column[:-1], axis=1
    )
    mean = sums / np.outer(np.diff(at_row), np.diff(at_column))
    low, high = float(mean.min()), float(mean.max())
    shade = np.round((mean - low) * ((len(_SHADES) - 1) / (high - low or 1.0))).astype(int)
    lines = [[_SHADES[k] for k in line] for line in shade]
    x, y = profile.centroid
    for mark, column, row in (
        ("+", *frame.origin),
        ("X", frame.origin[0] + x / frame.pitch_x, frame.origin[1] + y / frame.pitch_y),
    ):
        i, j = int(row * _ROWS / rows), int(column * _COLUMNS / columns)
        if 0 <= i < _ROWS and 0 <= j < _COLUMNS:
            lines[i][j] = mark
    return tuple("".join(line) for line in lines)


def _shown(json: bool) -> Any:
    """Return a context that gives a function that shows one view after the other."""
    import contextlib  # noqa: PLC0415

    from autoalign.cli.output import columns  # noqa: PLC0415

    if json:
        return contextlib.nullcontext(_print_json)
    if columns("stdout") is None:
        return contextlib.nullcontext(_print_lines)
    return _in_place()


def _print_lines(seen: tuple[Seen, ...]) -> None:
    from autoalign.cli.output import print_text  # noqa: PLC0415

    for one in seen:
        print_text(_line(one), wrap=False)


def _line(one: Seen) -> str:
    facts = ", ".join(f"{name} {value}" for name, value in one.figures)
    return f"{one.name}: {'; '.join(filter(None, (facts, one.problem)))}"


def _print_json(seen: tuple[Seen, ...]) -> None:
    from autoalign.cli.output import print_text  # noqa: PLC0415
    from autoalign.messages.serialise import facts_text  # noqa: PLC0415

    facts = {
        one.name: {
            "figures": dict(one.figures),
            "centre_mm": one.centre,
            "problem": one.problem or None,
        }
        for one in seen
    }
    print_text(facts_text(facts, indent=None), wrap=False)


def _in_place() -> Any:
    """Return a context in which each view takes the place of the one before."""
    import contextlib  # noqa: PLC0415

    from rich.live import Live  # noqa: PLC0415 - only at a terminal
    from rich.text import Text  # noqa: PLC0415

    @contextlib.contextmanager
    def showing() -> Iterator[Any]:
        with Live(auto_refresh=False) as screen:
            yield lambda seen: screen.update(
                Text("\n\n".join("\n".join((_line(s), *s.picture)) for s in seen)), refresh=True
            )

    return showing()
