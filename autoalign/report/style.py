"""The style of every figure: light paper, dark ink, units on axes, colour-blind readers.

Figures are made with matplotlib's objects, never through pyplot, so that drawing touches no state
that another part of a program could be using.
"""

from __future__ import annotations

import base64
import io
from pathlib import Path
from typing import Any

import numpy as np
import numpy.typing as npt
from matplotlib.axes import Axes
from matplotlib.backends.backend_agg import FigureCanvasAgg
from matplotlib.colors import Colormap, ListedColormap
from matplotlib.figure import Figure
from matplotlib.patheffects import Normal, Stroke

from autoalign.core.files import atomic_write

__all__ = [
    "BAD",
    "BLUE",
    "FAINT",
    "GOOD",
    "HAIR",
    "INK",
    "MARK",
    "PAPER",
    "QUIET",
    "SERIES",
    "dress",
    "halo",
    "light_colours",
    "light_map",
    "new_figure",
    "plain",
    "png_bytes",
    "png_uri",
    "save_png",
]

PAPER = "#ffffff"
INK = "#16242c"
QUIET = "#52626b"
HAIR = "#c9d2d6"
FAINT = "#eef2f3"
BLUE = "#0b5f94"
MARK = "#b84500"
GOOD = "#00694f"
BAD = "#a8330a"

_MADE_BY = {"Software": "autoalign"}
"""Written into every picture, so that none is ever replaced that somebody else made."""

SERIES = (
    ("#0b5f94", "o", "-"),
    ("#b84500", "s", (0, (5, 1.5))),
    ("#00785a", "^", (0, (1.5, 1.2))),
    ("#7d4a99", "D", (0, (5, 1.5, 1.2, 1.5))),
    ("#8a6a00", "v", (0, (3, 1))),
    ("#5b6b73", "P", (0, (8, 2))),
)
"""(colour, marker, dashes): lines differ in all three, so that none rests on colour alone."""


def new_figure(width: float, height: float) -> Figure:
    """Return an empty figure of ``width`` × ``height`` inches on white paper."""
    figure = Figure(figsize=(width, height), facecolor=PAPER)
    FigureCanvasAgg(figure)
    figure.set_layout_engine("constrained", w_pad=0.1, h_pad=0.08)
    return figure


def dress(axes: Axes, x: str = "", y: str = "", title: str = "", size: float = 10.0) -> None:
    """Give ``axes`` the house style and its labels; ``size`` is the type size in points."""
    for side in ("top", "right"):
        axes.spines[side].set_visible(False)
    for side in ("left", "bottom"):
        axes.spines[side].set_color(QUIET)
    axes.tick_params(colors=INK, labelsize=size, length=3.5, color=QUIET)
    axes.set_axisbelow(True)
    if x:
        axes.set_xlabel(x, fontsize=size, color=INK)
    if y:
        axes.set_ylabel(y, fontsize=size, color=INK)
    if title:
        axes.set_title(
            plain(title, 60), fontsize=size + 1, color=INK, loc="left", fontweight="bold"
        )


def plain(text: str, longest: int = 100) -> str:
    """Return ``text`` fit for a figure: one line, not too long, dollar signs drawn as such."""
    line = "".join(c for c in text if c.isprintable())
    short = line if len(line) <= longest else line[: longest - 1] + "…"
    return short.replace("$", r"\$")


def halo(width: float = 3.0, colour: str = PAPER) -> list[Any]:
    """Return the path effects that keep a line or a text readable on any ground."""
    return [Stroke(linewidth=width, foreground=colour), Normal()]


def light_colours(count: int = 256) -> npt.NDArray[np.float64]:
    """Return (count, 3) sRGB colours from white paper (no light) to dark petrol ink (most light).

    Lightness falls evenly in Oklab, so that equal steps of light appear equal and the picture reads
    the same in grey print (B. Ottosson, "A perceptual color space for image processing", 2020).
    """
    t = np.linspace(0.0, 1.0, count)
    lightness = 0.995 - 0.745 * t
    chroma = 0.36 * t * (1.0 - t) + 0.03 * t
    hue = np.radians(215.0 + 45.0 * t)
    lab = np.stack([lightness, chroma * np.cos(hue), chroma * np.sin(hue)], axis=1)
    to_lms = np.array(
        [
            [1.0, 0.3963377774, 0.2158037573],
            [1.0, -0.1055613458, -0.0638541728],
            [1.0, -0.0894841775, -1.2914855480],
        ]
    )
    to_rgb = np.array(
        [
            [4.0767416621, -3.3077115913, 0.2309699292],
            [-1.2684380046, 2.6097574011, -0.3413193965],
            [-0.0041960863, -0.7034186147, 1.7076147010],
        ]
    )
    linear = np.clip((lab @ to_lms.T) ** 3 @ to_rgb.T, 0.0, 1.0)
    low = linear <= 0.0031308
    srgb: npt.NDArray[np.float64] = np.where(
        low, 12.92 * linear, 1.055 * linear ** (1 / 2.4) - 0.055
    )
    return srgb


def light_map() -> Colormap:
    """Return :func:`light_colours` as a colour map."""
    return ListedColormap(light_colours(), name="light on paper").with_extremes(bad=FAINT)


def png_bytes(figure: Figure, dpi: float = 170.0) -> bytes:
    """Return the figure as PNG."""
    out = io.BytesIO()
    figure.savefig(out, format="png", dpi=dpi, facecolor=PAPER, metadata=_MADE_BY)
    return out.getvalue()


def png_uri(figure: Figure, dpi: float = 170.0) -> str:
    """Return the figure as a ``data:`` address that an HTML file can carry inside."""
    return "data:image/png;base64," + base64.b64encode(png_bytes(figure, dpi)).decode("ascii")


def save_png(figure: Figure, path: str | Path, dpi: float = 170.0) -> Path:
    """Write the figure to ``path`` and return it; the folder is made where it is missing."""
    return atomic_write(path, png_bytes(figure, dpi))
