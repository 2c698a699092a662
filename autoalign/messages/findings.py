"""Every finding in a sentence: the one place where what was found becomes text."""

from __future__ import annotations

import math
from collections.abc import Callable, Mapping

from autoalign.core.findings import Amount, Finding
from autoalign.core.units import edge, edge_unit, number, percent, rounded, to_edge
from autoalign.messages.words import quantity, term_label

__all__ = ["SENTENCES", "Wording", "sentence", "small"]

Wording = Callable[[Finding], str]

_AS_SEEN = "check its size of a count, its gear and its unit"


def sentence(finding: Finding) -> str:
    """Return ``finding`` as a person reads it; one whose code is not known here as its facts."""
    wording = SENTENCES.get(finding.code)
    if wording is not None:
        return wording(finding)
    facts = [f"{name} {quantity(a.value, a.unit, a.u)}" for name, a in finding.numbers.items()]
    facts += [f"{name} {text}" for name, text in finding.details.items()]
    head = f"{finding.subject}: {finding.code}" if finding.subject else finding.code
    return f"{head} ({', '.join(facts)})" if facts else head


def small(amount: Amount) -> str:
    """Return a small length or angle in µm or µrad, with its standard uncertainty if known."""
    unit, label = ("um", "µm") if amount.unit == "mm" else ("urad", "µrad")
    shown = to_edge(amount.value, unit)
    u = amount.u
    if u is None or not (math.isfinite(u) and u > 0):
        return f"{number(shown, 2 if abs(shown) < 100 else 3)} {label}"
    places = max(-math.floor(math.log10(to_edge(u, unit))), 0)
    return f"{rounded(shown, places)} ± {rounded(to_edge(u, unit), places)} {label}"


def _seen(f: Finding) -> str:
    """How much of the expected motion was measured, where that is known."""
    ratio = f.numbers.get("ratio")
    if ratio is None:
        return ""
    return f" ({rounded(ratio.value, 2)} ± {rounded(ratio.u or 0.0, 2)} of the expected motion)"


def _limited(f: Finding, verdict: str) -> str:
    """Add how well the scale can be judged at all, where that is poor."""
    if "because" not in f.details:
        return verdict
    return (
        f"{verdict}. Steps this small judge its scale no better than to "
        f"±{percent(f.numbers['limit'].value)}, because {f.details['because']}"
    )


def _on_axis(text: str) -> Wording:
    return lambda f: _limited(f, f"{f.subject}: {text}{_seen(f)}")


def _step(f: Finding) -> str:
    return small(f.numbers["step"])


def _exchanged_axes(f: Finding) -> str:
    if "like" in f.details:
        return (
            f"{f.subject}: moves the beam as {f.details['like']} should; check which cable goes "
            "where"
        )
    return f"axes {' and '.join(f.subjects)} are exchanged; check which cable goes where"


def _dead(f: Finding) -> str:
    steps = ""
    if "step" in f.numbers:
        steps = f" in steps of {_step(f)}, or moves less than its backlash"
    return f"{f.subject}: does not move{steps}; check its power, its cable and its clutch"


def _late(f: Finding) -> str:
    time = f"{number(f.numbers['time'].value, 2)} s"
    when = f"more than {time}" if f.code == "never-settles" else time
    allowed = number(f.numbers["allowed"].value, 2)
    return (
        f"{f.subject}: at rest only {when} after its arrival; measurements start after "
        f"{allowed} s. Raise settle in the bench file"
    )


def _cameras(text: str) -> Wording:
    def wording(f: Finding) -> str:
        names = f.subjects
        if len(names) == 1:
            return f"the camera of plane {names[0]} is {text}"
        return f"the cameras of planes {', '.join(names)} are all {text}"

    return wording


def _wavefront(f: Finding) -> str:
    upper = f"{number(f.numbers['upper'].value, 2)} waves rms"
    if "added" not in f.numbers:
        strehl = number(f.numbers["strehl"].value, 1)
        return (
            f"the wavefront is not shown to be good: up to {upper}, a Strehl ratio of {strehl} or "
            "more (95 %)"
        )
    own = quantity(f.numbers["own"].value, "rad")
    return (
        "the wavefront is not shown to be good: aberrations may add up to "
        f"{percent(f.numbers['added'].value)} to the {own} that the size of the source gives "
        f"(up to {upper}, 95 %)"
    )


def _unprovable(f: Finding) -> str:
    needed = f.numbers["needed_tolerance"]
    tolerance = f.numbers["tolerance"]
    wide = (
        f"the tolerance of {term_label(f.subject)} must be {_said(needed)} or more (asked: "
        f"{_said(tolerance)})"
    )
    said = f.numbers.get("stated")
    if said is None:
        why = ""
    elif "needed" in f.numbers:
        known = _said(f.numbers["needed"])
        why = f"{f.details['what']} must be known to {known} (stated: {_said(said)}), or "
    else:
        why = f"{f.details['what']} is known too poorly (stated: {_said(said)}): "
    return f"not even a perfect beam could be shown to be in spec: {why}{wide}"


def _said(amount: Amount) -> str:
    if amount.unit == "1":
        return percent(amount.value)
    return f"{number(edge(amount.value, amount.unit), 2)} {edge_unit(amount.unit)}"


SENTENCES: Mapping[str, Wording] = {
    "term-unprovable": _unprovable,
    "wavefront-open": _wavefront,
    # one axis
    "axis-as-expected": _on_axis("as expected"),
    "axis-reversed": _on_axis("runs backwards; reverse its sign in the bench file or its cable"),
    "axis-scale": lambda f: _limited(f, f"{f.subject}: wrong scale{_seen(f)}; {_AS_SEEN}"),
    "axis-strange": lambda f: _limited(
        f,
        f"{f.subject}: moves the beam as no axis of the layout should; check where it is mounted, "
        "its direction and its pivot in the bench file",
    ),
    "axis-dead": _dead,
    "axis-exchanged": _exchanged_axes,
    "axis-unsure": lambda f: f"{f.subject}: a step of {_step(f)} is too small for a verdict",
    "axis-moves": lambda f: (
        f"{f.subject}: moves; without a layout nothing says how far or which way"
    ),
    "axis-shows-nothing": lambda f: (
        f"{f.subject}: a step of {_step(f)} shows nothing; the axis is dead, or the step too small"
    ),
    "axis-not-tried": lambda f: f"{f.subject}: not tried",
    "trial-broken-off": lambda f: (
        f"{f.subject}: {f.details['why']}; the trial was broken off and the axis taken back"
    ),
    "backlash-too-large": lambda f: (
        f"{f.subject}: backlash of {small(f.numbers['backlash'])}, stated is "
        f"{small(f.numbers['stated'])}; check for something loose, or state what it really is"
    ),
    "backlash-at-least": lambda f: (
        f"{f.subject}: a step back of {_step(f)} shows nothing, so its backlash is at least that; "
        f"stated is {small(f.numbers['stated'])}; check for something loose"
    ),
    "axis-slips": lambda f: (
        f"{f.subject}: came back {small(f.numbers['missed'])} away from where it had been, from "
        "the same side; it slips, or its controller counts steps that it does not make"
    ),
    "steps-unequal": lambda f: (
        f"{f.subject}: a step back is {rounded(f.numbers['backward'].value, 2)} ± "
        f"{rounded(f.numbers['backward'].u or 0.0, 2)} of a step forwards; an open-loop drive that "
        "counts its pulses, not its motion"
    ),
    "axis-drags": lambda f: (
        f"{f.subject}: {percent(abs(f.numbers['part'].value))} ± "
        f"{percent(f.numbers['part'].u or 0.0)} of its motion shows as {f.details['other']}'s; "
        "its direction is off, or it drags the other along"
    ),
    "stop-obeyed": lambda f: (
        f"{f.subject}: STOP in mid-move was obeyed; it came to rest {small(f.numbers['short'])} "
        f"short of a target {small(f.numbers['move'])} away"
    ),
    "stop-not-obeyed": lambda f: (
        f"{f.subject}: STOP in mid-move was not obeyed: it went on to its target, "
        f"{small(f.numbers['move'])} away; correct 'stop' of its controller in the bench file, and "
        "use the hardware's own stop until then"
    ),
    "stop-untried": lambda f: (
        f"{f.subject}: STOP could not be tried: a move of {small(f.numbers['move'])} was over "
        "before it could be stopped; try it with a longer move, with the beam blocked"
    ),
    "settles-late": _late,
    "never-settles": _late,
    "not-back": lambda f: "not every axis reads at the end what it read at the start",
    "ended-early": lambda f: f.details["why"],
    # cameras
    "cameras-exchanged": lambda f: (
        f"the cameras of planes {' and '.join(f.subjects)} are exchanged"
    ),
    "camera-mirrored-left-right": _cameras("mirrored left to right"),
    "camera-mirrored-top-bottom": _cameras("mirrored top to bottom"),
    "camera-upside-down": _cameras("turned by 180°"),
    "camera-turned-left": _cameras("turned by +90°"),
    "camera-turned-right": _cameras("turned by −90°"),
    "camera-mirrored-diagonal": _cameras("mirrored about a diagonal"),
    "camera-mirrored-antidiagonal": _cameras("mirrored about the other diagonal"),
    "plane-no-beam": lambda f: f"{f.subject}: no beam ({f.details['why']})",
    "plane-not-measurable": lambda f: (
        f"{f.subject}: nothing that can be measured ({f.details['why']})"
    ),
    # one measurement
    "same-frames": lambda f: (
        f"the frames of {' and '.join(f.subjects)} are identical in every pixel: one camera is "
        "read for both; give each plane its own camera, folder or port"
    ),
    "stale": lambda f: f"{f.subject}: no exposure that began after the axes had settled",
    "detector-failed": lambda f: f"{f.subject}: {f.details['why']}",
    "frame-not-measured": lambda f: f"{f.subject}: {f.details['why']}",
    "frame-of-limited-use": lambda f: f"{f.subject}: {f.details['why']}",
    "planes-not-combined": lambda f: f.details["why"],
    "quantity-missing": lambda f: f"not measured: {'; '.join(f.subjects)}",
    "not-finite": lambda f: "a term is not a finite number",
    "no-spec": lambda f: "the bench has no spec to be judged by",
    # the bench as a whole
    "cameras-distrusted": lambda f: (
        "check the cameras and the bench file; what the cameras say cannot be trusted until then"
    ),
    "no-light-searching": lambda f: (
        f"no light on any detector; at most {number(f.numbers['places'].value, 6)} places within "
        "the limits are searched, likeliest first"
    ),
    "no-light": lambda f: (
        f"no light anywhere within reach ({number(f.numbers['places'].value, 6)} places searched)"
    ),
    "layout-does-not-fit": lambda f: (
        "what is measured does not fit the layout in the bench file; check "
        + (f"the light first ({f.details['light']}), then " if "light" in f.details else "")
        + "distances, the mirror's data and which way each axis and camera is mounted"
    ),
    "through-focus": lambda f: (
        f"the spec is met, but by a beam that goes through a focus between "
        f"{' and '.join(f.subjects)}, by all that is known of the bench; a sheet of paper between "
        "them shows it, at alignment power"
    ),
}
"""Sentence of each code. Findings of plug-ins are worded from their facts."""
