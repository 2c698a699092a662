"""The usual cautions about laser light and moving parts; general facts, no licence to work.

Every sentence that a person reads about them, on a page, a screen or in a question, comes from
here. Bands of wavelength are those of IEC 60825-1, from memory.
"""

from __future__ import annotations

__all__ = ["AT_THE_SCREW", "BEFORE_APPROACH", "at_night", "before_motion", "cautions"]

_VISIBLE = (400.0, 700.0)
"""nm in which a person sees the beam and looks away."""
_FAINT = 650.0
"""nm above which a beam looks far weaker than it is."""
_RETINA = (400.0, 1400.0)
"""nm that reach the retina."""
_SLACK = 1e-6
"""nm by which a wavelength in mm may miss a limit through rounding."""

_DECIDE = "local rules, the laser safety officer and licensed practice decide"
_BLOCK = "Block the beam, or dim it to alignment power"
_NEVER_OFF = "The program never switches the light off"
_NOT_SEEN = "A person in the beam’s way is not detected"
_NO_FUNCTION = "are not a safety function"

AT_THE_SCREW = (
    f"Before you touch the bench: {_BLOCK[0].lower()}{_BLOCK[1:]}; wear eyewear for this "
    "wavelength; take off watches and rings, which reflect it as tools do; keep your eyes out of "
    f"the plane of the beam. {_NEVER_OFF}; {_DECIDE} what may be done. Unblock it only once you "
    "have stepped back: the cameras need light."
)
"""What a person is advised before the first question that brings hands to the bench."""

BEFORE_APPROACH = (
    f"{_NEVER_OFF}: the beam may be on. Before you go to the bench, block it or dim it to "
    "alignment power, wear eyewear for this wavelength, and take off watches and rings. "
    f"{_NOT_SEEN}. {_DECIDE[0].upper()}{_DECIDE[1:]} what may be done."
)
"""What a person is advised who has to go to a bench that a watch has latched."""


def cautions(*wavelengths: float | None) -> tuple[str, ...]:
    """Return the cautions for light of ``wavelengths`` (mm; none, or None: not known)."""
    return (
        "Laser light can harm eyes and skin. The class of the source (IEC 60825-1) says what is "
        f"needed; {_DECIDE}, not this program.",
        f"{_BLOCK}, before you go to the bench and before anything moves. {_NEVER_OFF}: not after "
        "a fault, not while a watch is paused or latched, not at the end.",
        *_eyes(wavelengths),
        "A wide collimated beam looks harmless and is most dangerous through viewing optics: never "
        "into it with a magnifier, a telescope or a camera’s finder.",
        "Take off watches and rings. They reflect the beam, and so do tools.",
        "An alignment swings the beam: the beam itself and its reflections may leave the bench on "
        "the way. Light that passes the edge of an overfilled mirror goes on behind it and has to "
        "be blocked.",
        f"{_NOT_SEEN}: nothing here stops for anybody.",
        "Motors start without warning and pinch. Keep hands and loose things away while the bench "
        "is under program control.",
        at_night(),
        f"Software limits, pauses, latches and Ctrl-C protect equipment; they {_NO_FUNCTION}. An "
        "emergency stop is hardware, and even that only complements guards and interlocks (ISO "
        "13850).",
    )


def at_night() -> str:
    """Return what a bench needs that moves while nobody is there."""
    return (
        "A bench that moves unattended, at night as well, needs a notice at the door, closed "
        "covers and the name of a person to call."
    )


def before_motion(*wavelengths: float | None, unattended: bool = False) -> tuple[str, ...]:
    """Return what is said before motors of a real bench start, in a few sentences.

    ``wavelengths`` in mm (none, or None: not known); ``unattended`` where nobody will be there.
    """
    return (
        "Caution: motors start without warning and the beam swings.",
        f"{_BLOCK}, and block what passes the edge of the optic. {_NEVER_OFF}.",
        *_eyes(wavelengths),
        f"Watches and rings off, hands and eyes away. {_NOT_SEEN}.",
        *([at_night()] if unattended else []),
        f"{_DECIDE[0].upper()}{_DECIDE[1:]} what may be done. Software limits and Ctrl-C "
        f"{_NO_FUNCTION}: use the hardware’s own stop in an emergency.",
    )


def _eyes(wavelengths: tuple[float | None, ...]) -> list[str]:
    known = [1e6 * w for w in wavelengths if w is not None]
    if not known:
        return [
            "Wear eyewear for the wavelength in use. Outside 400–700 nm light cannot be seen and "
            "the blink reflex does not protect; above 650 nm a beam looks far weaker than it is; "
            "400–1400 nm reaches the retina."
        ]
    return [_eye(nm) for nm in known]


def _eye(nm: float) -> str:
    at = f"{nm:.4g} nm"
    words = f"Wear eyewear for {at}."
    if not _within(nm, _VISIBLE):
        words += f" Light of {at} cannot be seen and the blink reflex does not protect."
    elif nm > _FAINT + _SLACK:
        words += f" A beam of {at} looks far weaker than it is."
    if _within(nm, _RETINA):
        words += " It reaches the retina."
    return words


def _within(nm: float, band: tuple[float, float]) -> bool:
    return band[0] - _SLACK <= nm <= band[1] + _SLACK
