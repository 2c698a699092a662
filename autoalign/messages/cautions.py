"""The usual cautions about laser light and moving parts; general facts, no licence to work."""

from __future__ import annotations

__all__ = ["cautions"]

_VISIBLE = (380e-6, 780e-6)


def cautions(*wavelengths: float | None) -> tuple[str, ...]:
    """Return the cautions for light of ``wavelengths`` (mm; none, or None: not known)."""
    known = [w for w in wavelengths if w is not None]
    hidden = [w for w in known if not _VISIBLE[0] <= w <= _VISIBLE[1]]
    lines = [
        "Laser light can harm eyes and skin. The class of the source (IEC 60825-1) says what is "
        "needed; local rules, the laser safety officer and licensed practice decide, not this "
        "report.",
        "A wide collimated beam looks harmless and is most dangerous through viewing optics: do "
        "not look into it with a magnifier, a telescope or a camera’s finder.",
    ]
    if not known:
        lines.append("Light outside the visible gives no blink reflex and is not seen.")
    lines += [
        f"At {w * 1e6:.0f} nm the light is not seen and gives no blink reflex." for w in hidden
    ]
    lines += [
        "An alignment swings the beam: reflections and the beam itself may leave the bench on the "
        "way. Block what is not needed, and lower the power while parts move.",
        "Motorised axes start without warning and pinch. Keep hands and loose things away while "
        "the bench is under program control.",
        "Software limits, holds and aborts protect equipment; they are not a safety function. An "
        "emergency stop is hardware, and even that only complements guards and interlocks (ISO "
        "13850).",
    ]
    return tuple(lines)
