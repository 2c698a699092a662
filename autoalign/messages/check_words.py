"""Verdicts in words, with the units that people use."""

from __future__ import annotations

import math

from autoalign.core.axes import Axis
from autoalign.core.units import to_edge
from autoalign.diagnosis.axis_verdict import AxisVerdict, Judgement
from autoalign.messages.words import number, rounded

__all__ = [
    "amount",
    "broken_off",
    "dragging",
    "late",
    "one_way",
    "play_at_least",
    "too_much_play",
    "unsteady",
    "without_model",
    "words_of",
]


def amount(value: float, axis: Axis, u: float | None = None) -> str:
    """Return a small length or angle as people read it, with its standard uncertainty if known."""
    unit, label = ("um", "µm") if axis.unit == "mm" else ("urad", "µrad")
    shown = to_edge(value, unit)
    if u is None or not (math.isfinite(u) and u > 0):
        return f"{number(shown, 2 if abs(shown) < 100 else 3)} {label}"
    places = max(-math.floor(math.log10(to_edge(u, unit))), 0)
    return f"{rounded(shown, places)} ± {rounded(to_edge(u, unit), places)} {label}"


def words_of(axis: Axis, step: float, judgement: Judgement) -> str:
    """Return the verdict against the model as a sentence."""
    name, by = axis.name, amount(abs(step), axis)
    seen = f"{judgement.ratio:.2f} ± {judgement.u_ratio:.2f} of the expected motion"
    verdict = {
        AxisVerdict.WELL: f"{name}: as expected ({seen})",
        AxisVerdict.DEAD: (
            f"{name}: nothing moved in steps of {by}, or less than its play; check its power, its "
            "cable and its clutch"
        ),
        AxisVerdict.REVERSED: (
            f"{name}: runs backwards ({seen}); reverse its sign in the bench file or its cable"
        ),
        AxisVerdict.EXCHANGED: (
            f"{name}: moves the beam as {judgement.like} should; check which cable goes where"
        ),
        AxisVerdict.SCALE: (
            f"{name}: makes {seen}; check its size of a count, its gear and its unit"
        ),
        AxisVerdict.STRANGE: (
            f"{name}: moves the beam as no axis of the layout should; check where it is mounted, "
            "its direction and its pivot in the bench file"
        ),
        AxisVerdict.UNSURE: f"{name}: a step of {by} shows too little to tell",
    }[judgement.verdict]
    if not judgement.because or judgement.verdict is AxisVerdict.UNSURE:
        return verdict
    return (
        f"{verdict}. Its scale cannot be judged better than to ±{judgement.limit:.0%} by steps so "
        f"small, because {judgement.because}"
    )


def without_model(axis: Axis, step: float, shows: bool) -> str:
    """Return what can be said of an axis without a layout."""
    if shows:
        return f"{axis.name}: moves; without a layout nothing says how far and where to"
    return f"{axis.name}: a step of {amount(abs(step), axis)} shows nothing; dead, or too small"


def too_much_play(axis: Axis, play: float, u: float) -> str:
    """Return the finding of a play that is larger than stated."""
    return (
        f"{axis.name}: play of {amount(play, axis, u)}, stated is {amount(axis.play, axis)}; look "
        "for something loose, or state what it really is"
    )


def play_at_least(axis: Axis, step: float) -> str:
    """Return the finding of a play that is no smaller than the step."""
    return (
        f"{axis.name}: a step back of {amount(step, axis)} shows nothing, so its play is at least "
        f"that; stated is {amount(axis.play, axis)}; look for something loose"
    )


def one_way(axis: Axis, missed: float, u: float) -> str:
    """Return the finding of an axis that does not come back."""
    return (
        f"{axis.name}: came back {amount(abs(missed), axis, u)} away from where it had been, from "
        "the same side; it slips, or its controller counts what it does not do"
    )


def unsteady(axis: Axis, backward: float, u: float) -> str:
    """Return the finding of steps that differ forwards and back."""
    return (
        f"{axis.name}: a step back is {backward:.2f} ± {u:.2f} of a step forwards; an open-loop "
        "drive that counts its pulses, not its way"
    )


def dragging(axis: Axis, judgement: Judgement) -> list[str]:
    """Return the findings of cross-talk."""
    return [
        f"{axis.name}: {abs(c):.0%} ± {u:.0%} of its motion shows as {other}'s; its direction is "
        "off, or it drags the other along"
        for other, (c, u) in judgement.dragged.items()
    ]


def late(axis: Axis, time: float, *, at_least: bool, allowed: float) -> str:
    """Return the finding of a bench that is at rest only ``time`` s after its arrival.

    ``at_least`` where it was not at rest by then either; ``allowed`` s is what its file states.
    """
    when = f"more than {time:.2g} s" if at_least else f"{time:.2g} s"
    return (
        f"{axis.name}: at rest only {when} after its arrival, looked at from {allowed:.2g} s on; "
        "raise settle in the bench file"
    )


def broken_off(axis: Axis, why: str) -> str:
    """Return why a trial was broken off."""
    return f"{axis.name}: {why}; the trial was broken off and the axis taken back"
