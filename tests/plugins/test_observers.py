"""Observers: told by name, and never able to disturb a run or each other."""

from __future__ import annotations

import logging
from typing import Any, ClassVar

import pytest
from autoalign_simulators import benches

from autoalign.core.errors import PluginError
from autoalign.run.align import align
from autoalign.run.hooks import hookimpl
from autoalign.run.observers import Observers


class Listener:
    """Writes down what it is told."""

    def __init__(self) -> None:
        self.heard: list[Any] = []

    @hookimpl
    def autoalign_start_run(self, strategy: str) -> None:
        """Take one of the arguments."""
        self.heard.append(strategy)


class Failing:
    """Fails at every start."""

    @hookimpl
    def autoalign_start_run(self) -> None:
        """Fail."""
        raise ZeroDivisionError("a bug")


class Misspelt:
    """Follows an event that does not exist."""

    @hookimpl
    def autoalign_begin_run(self) -> None:
        """Never be called."""


def test_an_observer_takes_the_arguments_that_it_wants() -> None:
    """A listener of one argument is told that one."""
    observers, listener = Observers(load=False), Listener()
    observers.register(listener)
    observers.tell("start_run", bench=None, strategy="model", seed=3)
    assert listener.heard == ["model"]


def test_a_failing_observer_stops_neither_the_run_nor_the_others(
    caplog: pytest.LogCaptureFixture,
) -> None:
    """Before and after a failing one, every listener is told; the failure is written down."""
    observers, first, last = Observers(load=False), Listener(), Listener()
    for observer in (first, Failing(), last):
        observers.register(observer)
    with caplog.at_level(logging.WARNING):
        observers.tell("start_run", bench=None, strategy="model", seed=3)
    assert first.heard == last.heard == ["model"]
    assert "ZeroDivisionError: a bug" in observers.failures[0]
    assert "at start_run failed" in caplog.text


def test_a_slow_observer_is_named_once() -> None:
    """An observer that holds up every measurement is named, with how long it takes."""
    times = iter([0.0, 0.1, 0.1, 2.5, 2.5, 9.0])
    observers = Observers(load=False, now=lambda: next(times))
    observers.register(Listener(), "plotter")
    for _ in range(3):
        observers.tell("start_run", bench=None, strategy="model", seed=3)
    (said,) = observers.failures
    assert "observer 'plotter' took 2.4 s at start_run; every measurement waits for it" in said


def test_a_misspelt_event_is_refused_and_the_observer_forgotten() -> None:
    """A hook that no event calls would be silent for ever; it is refused with the events listed."""
    observers = Observers(load=False)
    with pytest.raises(PluginError, match="autoalign_begin_run") as caught:
        observers.register(Misspelt())
    assert "autoalign_start_run" in str(caught.value)
    listener = Listener()
    observers.register(listener)
    observers.tell("start_run", bench=None, strategy="x", seed=0)
    assert listener.heard == ["x"]


@pytest.mark.usefixtures("worked_plugin")
def test_an_installed_observer_follows_without_being_asked() -> None:
    """The worked plug-in's diary is loaded from its entry point and told of the run."""
    observers = Observers()
    observers.tell("start_run", bench=None, strategy="model", seed=1)
    observers.tell("end_run", bench=None, result="in spec")
    from autoalign_example import diary  # noqa: PLC0415 - installed by the fixture

    assert diary.entries == ["started with model", "ended: in spec"]
    assert observers.failures == []


def test_every_event_is_named_verb_then_noun() -> None:
    """``autoalign_<verb>_<noun>``, as the documentation promises."""
    events = Observers(load=False).events
    assert events
    assert all(len(e.split("_")) == 3 for e in events)


@pytest.mark.slow
def test_a_run_that_is_cut_off_is_told_as_such() -> None:
    """Ctrl-C reaches the observers and whoever called, unchanged."""

    class Alarm:
        heard: ClassVar[list[BaseException]] = []

        @hookimpl
        def autoalign_break_run(self, error: BaseException) -> None:
            self.heard.append(error)

    observers = Observers(load=False)
    observers.register(Alarm())
    with (
        pytest.raises(KeyboardInterrupt),
        benches.collimator(seed=0, pixels=64) as bench,
        observers.told_of_failure(bench),
    ):
        raise KeyboardInterrupt
    assert [type(e) for e in Alarm.heard] == [KeyboardInterrupt]


@pytest.mark.slow
@pytest.mark.usefixtures("worked_plugin")
def test_an_alignment_tells_its_observers_in_order() -> None:
    """Start, looks and moves, end; with the targets in mm and rad, and the result at the end."""
    from autoalign_example import diary  # noqa: PLC0415 - installed by the fixture

    diary.entries.clear()
    with benches.collimator(seed=0, pixels=64) as bench:
        result = align(bench, strategy="response-matrix", budget=3)
    assert diary.entries[0] == "started with response-matrix"
    assert diary.entries[-1] == f"ended: {result}"
    kinds = [entry.split()[0] for entry in diary.entries[1:-1]]
    assert kinds.count("look") == result.measurements
    assert kinds.count("move") == result.moves
    assert kinds[0] == "look"
