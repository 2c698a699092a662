"""The person at the bench: how one is asked, and whether hands are clear of it.

A bench with axes that a person turns (:attr:`~autoalign.core.axes.Axis.by_hand`) never has a motor
in motion between a question and its answer, and no motor starts after one before the person has
said that hands are clear. It protects people from this program's own commands alone; it is not a
safety function.
"""

from __future__ import annotations

import sys
from collections.abc import Callable

from autoalign.core.errors import HeldError

__all__ = ["HANDS_CLEAR", "Ask", "Hands", "ask_at_terminal"]

Ask = Callable[[str], str]
"""Puts a question to a person and returns the answer; raises ``EOFError`` where nobody is there."""

HANDS_CLEAR = "Hands clear? Press Enter to start the motors (or type stop): "
"""What is asked before a motor starts."""


def ask_at_terminal(question: str) -> str:
    """Ask at the terminal; what was typed before the question appeared is no answer to it.

    Raises
    ------
    EOFError
        Where nobody is there: standard input has ended.
    """
    _forget_typed_ahead()
    try:
        return input(question)
    except RuntimeError as error:  # a program without standard input
        raise EOFError(str(error)) from error


class Hands:
    """Whether hands may be at the bench; one object for each bench, kept from run to run.

    Parameters
    ----------
    ask
        How a person is asked; at the terminal where not given.

    Attributes
    ----------
    clear
        Whether the person has said so since the last question that brings hands to the bench.
        Never asked for on a bench where no axis is turned by hand.
    read
        Names of the hand-turned axes whose scale has been read once.
    """

    def __init__(self, ask: Ask = ask_at_terminal) -> None:
        self.ask = ask
        self.clear = False
        self.read: set[str] = set()

    def confirm_clear(self) -> None:
        """Wait until the person says that hands are clear; do nothing where that was said.

        Only Enter means yes; "stop" means no, and anything else is asked again.

        Raises
        ------
        HeldError
            Where the person says stop, or nobody answers.
        """
        while not self.clear:
            try:
                answer = self.ask(HANDS_CLEAR).strip()
            except EOFError:
                raise HeldError(
                    "nobody is there to say that hands are clear of the bench; no motor was "
                    "started. Run this where a person can answer."
                ) from None
            if answer.lower() == "stop":
                raise HeldError(
                    "hands are not clear of the bench: the person said stop; no motor was started."
                )
            self.clear = not answer


def _forget_typed_ahead() -> None:
    try:
        if not sys.stdin.isatty():
            return
    except (AttributeError, ValueError):  # no standard input, or a closed one
        return
    if sys.platform == "win32":
        import msvcrt  # noqa: PLC0415

        while msvcrt.kbhit():
            msvcrt.getwch()
    else:
        import termios  # noqa: PLC0415

        termios.tcflush(sys.stdin.fileno(), termios.TCIFLUSH)
