"""SCPI headers: long and short forms, and how a program matches what it is sent."""

from __future__ import annotations

__all__ = ["matches", "short_form"]

_LONG = 4


def short_form(word: str) -> str:
    """Return the short form of a keyword: four letters, or three where the fourth is a vowel.

    A word of up to four letters is its own short form. (SCPI-99, volume 1, 6.2.1.)
    """
    if len(word) <= _LONG:
        return word
    return word[:3] if word[3].lower() in "aeiou" else word[:4]


def matches(header: str, sent: str) -> bool:
    """Whether ``sent`` names ``header``, each keyword long or short, in any case.

    ``header`` is written like ``MEASure:POWer?``, keywords in full; a leading colon is allowed.
    """
    wanted, given = header.split(":"), sent.removeprefix(":").split(":")
    if header.startswith("*"):
        return header.upper() == sent.upper()
    return len(wanted) == len(given) and all(map(_fits, wanted, given))


def _fits(keyword: str, given: str) -> bool:
    query = "?" if keyword.endswith("?") else ""
    word = keyword.removesuffix("?")
    return given.upper() in {(word + query).upper(), (short_form(word) + query).upper()}
