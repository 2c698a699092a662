"""Tells observers what happens, one by one; none of them can disturb a run or another observer."""

from __future__ import annotations

import logging
import time
from collections.abc import Callable, Iterator
from contextlib import contextmanager
from typing import Any

import pluggy

from autoalign.bench import Bench
from autoalign.core.errors import AlignError, PluginError
from autoalign.core.foreign import foreign
from autoalign.plugins import names, plugin
from autoalign.run import hooks as hookspecs
from autoalign.run.execute import Event
from autoalign.session.actions import Move

__all__ = ["Observers"]

_log = logging.getLogger("autoalign.observers")

SLOW = 0.5
"""Time from which an observer that holds up a run is named, s."""


class Observers:
    """Everyone who follows events.

    Parameters
    ----------
    load
        Whether to load what installed packages offer under ``autoalign.observers``.
    now
        Seconds of the computer's own time, by which observers are timed.

    ``failures`` lists in words which observer could not be loaded, failed at which event, or is
    slow.
    """

    def __init__(self, load: bool = True, now: Callable[[], float] = time.monotonic) -> None:
        self.failures: list[str] = []
        self._now, self._slow = now, set[str]()
        self._manager = pluggy.PluginManager("autoalign")
        self._manager.add_hookspecs(hookspecs)
        for name in names("observers") if load else ():
            try:
                self.register(plugin("observers", name), name)
            except AlignError as error:
                self._note(str(error))

    def register(self, observer: object, name: str | None = None) -> None:
        """Let ``observer`` follow from now on.

        Raises
        ------
        PluginError
            For a hook that does not exist, or an argument that its event does not have.
        """
        try:
            registered = self._manager.register(observer, name)
            self._manager.check_pending()
        except (pluggy.PluginValidationError, ValueError) as error:
            self._forget(observer)
            raise PluginError(
                f"observer {name or type(observer).__name__!r} cannot be used: {error} "
                f"Events: {', '.join(self.events)}."
            ) from error
        if registered is None:
            raise PluginError(f"observer {name!r} is blocked.")

    @property
    def events(self) -> tuple[str, ...]:
        """Names of all events."""
        return tuple(sorted(n for n in vars(hookspecs) if n.startswith("autoalign_")))

    def tell(self, event: str, **facts: Any) -> None:
        """Tell ``event`` (without ``autoalign_``) to every observer that follows it.

        A failing observer is noted in ``failures`` and in the log; the others are informed all the
        same.
        """
        hook = getattr(self._manager.hook, f"autoalign_{event}")
        for implementation in hook.get_hookimpls():
            wanted = {k: facts[k] for k in implementation.argnames}
            began = self._now()
            try:
                with foreign(f"observer {implementation.plugin_name!r} at {event}"):
                    implementation.function(**wanted)
            except AlignError as error:
                self._note(str(error))
            self._check_pace(str(implementation.plugin_name), event, self._now() - began)

    def veto(self, bench: Bench, move: Move) -> str:
        """Return why a move must not be made, in the words of the first observer that vetoes."""
        facts = {"bench": bench, "targets": move.targets, "reason": move.reason}
        for implementation in self._manager.hook.autoalign_veto_move.get_hookimpls():
            who = implementation.plugin_name
            try:
                why = implementation.function(**{k: facts[k] for k in implementation.argnames})
            except Exception as error:  # noqa: BLE001 - whatever it is, there is no consent
                self._note(f"observer {who!r} failed at veto_move: {type(error).__name__}: {error}")
                return f"observer {who!r} failed when asked whether the move may be made: {error}"
            if why:
                return f"observer {who!r} vetoes the move: {why}"
        return ""

    def following(
        self, bench: Bench, progress: Callable[[Event], None] | None = None
    ) -> Callable[[Event], None]:
        """Return a callback that passes on moves and measurements, then calls ``progress``."""

        def follow(event: Event) -> None:
            if isinstance(event.action, Move) and not event.refused:
                facts = {"targets": event.action.targets, "reason": event.action.reason}
                self.tell("make_move", bench=bench, **facts)
            elif event.measurement is not None:
                self.tell("make_measurement", bench=bench, measurement=event.measurement)
            if progress is not None:
                progress(event)

        return follow

    @contextmanager
    def told_of_failure(self, bench: Bench) -> Iterator[None]:
        """Tell ``break_run`` where an error or Ctrl-C ends what is inside, and pass it on."""
        try:
            yield
        except BaseException as error:
            self.tell("break_run", bench=bench, error=error)
            raise

    def _check_pace(self, name: str, event: str, took: float) -> None:
        """Name an observer that everything has to wait for, once."""
        if took > SLOW and name not in self._slow:
            self._slow.add(name)
            self._note(
                f"observer {name!r} took {took:.2g} s at {event}; every measurement waits for it. "
                "Let it hand the work to a thread of its own."
            )

    def _forget(self, observer: object) -> None:
        if self._manager.is_registered(observer):
            self._manager.unregister(observer)

    def _note(self, failure: str) -> None:
        self.failures.append(failure)
        _log.warning(failure)
