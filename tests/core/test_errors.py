"""The error tree: one root, builtin relatives, and the drawing in the docstring is true."""

from __future__ import annotations

import inspect
import re

from autoalign.core import errors


def _classes() -> dict[str, type[BaseException]]:
    return {
        n: c
        for n, c in vars(errors).items()
        if inspect.isclass(c) and issubclass(c, BaseException) and c.__module__ == errors.__name__
    }


def test_everything_descends_from_one_root() -> None:
    """Catching AlignError catches all of them."""
    assert all(issubclass(c, errors.AlignError) for c in _classes().values())


def test_the_drawn_tree_is_the_real_tree() -> None:
    """Every class stands in the docstring's tree, with the builtins that it names."""
    drawn = dict(re.findall(r"[├└]── (\w+)(?: \((\w+)\))?", errors.__doc__ or ""))
    classes = _classes()
    assert set(drawn) == set(classes) - {"AlignError"}
    builtins = __builtins__ if isinstance(__builtins__, dict) else vars(__builtins__)
    for name, builtin in drawn.items():
        if builtin:
            assert issubclass(classes[name], builtins[builtin]), name


def test_all_lists_every_class() -> None:
    """The public names are complete and sorted."""
    assert sorted(errors.__all__) == errors.__all__
    assert set(_classes()) <= set(errors.__all__)


def test_bench_file_error_lists_every_problem() -> None:
    """Each mistake gets a line of its own."""
    error = errors.BenchFileError("b.toml", ["line 3: a", "line 9: b"])
    assert str(error).splitlines() == [
        "b.toml: 2 mistakes; nothing was moved.",
        "  line 3: a",
        "  line 9: b",
    ]
