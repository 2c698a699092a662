"""Mistakes in a bench file: collected, put into words, each with its line."""

from __future__ import annotations

import difflib
import types
import typing
from collections.abc import Collection, Iterable
from typing import Any

from pydantic import BaseModel, ValidationError

from autoalign.config.lines import line_of
from autoalign.core.errors import BenchFileError

__all__ = ["Path", "Problems", "renamed"]

Path = tuple[str | int, ...]


class Problems:
    """Collects every mistake of one file, so that they are reported at once.

    ``lines`` gives the line of each key, ``overridden`` the paths whose values come from elsewhere
    than the file.
    """

    def __init__(
        self, source: str, lines: dict[Path, int], overridden: Iterable[Path] = ()
    ) -> None:
        self.source = source
        self._lines = lines
        self._overridden = tuple(overridden)
        self._found: dict[tuple[Path, str], tuple[int, str]] = {}

    def __len__(self) -> int:
        return len(self._found)

    def add(self, path: Path, text: str) -> None:
        """Note a mistake at ``path``; ``text`` says what is wrong and what is allowed."""
        line = line_of(self._lines, path)
        if any(path[: len(p)] == p for p in self._overridden):
            line, where = None, "override, "
        else:
            where = f"line {line}, " if line else ""
        name = spell(path)
        place = f"{where}{name}: " if name else where.replace(", ", ": ")
        self._found.setdefault((path, text), (line or 0, f"{place}{text.rstrip('.')}."))

    def add_all(
        self,
        error: ValidationError,
        model: type[BaseModel],
        prefix: Path = (),
        own: Iterable[str] = (),
        axis: Iterable[str] = (),
    ) -> None:
        """Note everything that ``model`` found wrong below ``prefix``.

        ``own`` names the keys that the table at ``prefix`` has beside the model's, ``axis`` those
        of each axis in it.
        """
        beside = {1: own, 3: axis}
        details = error.errors(include_url=False)
        known = {
            tuple(d["loc"]): [*known_keys(model, d["loc"][:-1]), *beside.get(len(d["loc"]), ())]
            for d in details
        }
        misspelt = {
            (*path[:-1], closest(str(path[-1]), known[path]))
            for path in (tuple(d["loc"]) for d in details if d["type"] == "extra_forbidden")
        }
        for detail in details:
            path = tuple(detail["loc"])
            if detail["type"] != "missing" or path not in misspelt:
                self.add((*prefix, *path), in_words(dict(detail), known[path]))

    def raise_any(self) -> None:
        """Raise :class:`BenchFileError` with all mistakes in the order of the file, if any."""
        if self._found:
            ordered = sorted(self._found.values(), key=lambda item: item[0])
            raise BenchFileError(self.source, [text for _, text in ordered])


def spell(path: Path) -> str:
    """Return ``path`` as it is written in TOML, with places in arrays in brackets."""
    text = ""
    for key in path:
        if isinstance(key, int):
            text += f"[{key}]"
            continue
        plain = key.replace("-", "").replace("_", "").isalnum()
        text += ("." if text else "") + (key if plain else f'"{key}"')
    return text


def in_words(detail: dict[str, Any], known: Iterable[str]) -> str:
    """Say what is wrong, what is allowed and what to do."""
    kind, given, facts = detail["type"], detail.get("input"), detail.get("ctx", {})
    if kind == "missing":
        return "this key is missing; add it"
    if kind == "extra_forbidden":
        return _unknown_key(str(detail["loc"][-1]), sorted(set(known)))
    if kind == "literal_error":
        return f"{given!r} is not allowed; allowed is {facts['expected']}"
    if kind in _BOUNDS:
        return f"{given!r} is not allowed; it must be {_BOUNDS[kind].format(**facts)}"
    if kind in ("too_short", "too_long"):
        bound, what = facts.get("min_length"), "at least"
        if bound is None:
            bound, what = facts["max_length"], "at most"
        return f"{facts['actual_length']} given; {what} {bound} needed"
    return _wrong_type(kind, given) or str(detail["msg"]).removeprefix("Value error, ")


def closest(key: str, known: Iterable[str]) -> str:
    """Return the known key that ``key`` was probably meant to be, or ""."""
    return next(iter(difflib.get_close_matches(key, sorted(set(known)), n=1)), "")


RENAMED = {
    "family": ("layout", "bench"),
    "hold": ("locked",),
    "play": ("backlash",),
    "mark": ("fiducial",),
    "squareness": ("pixel_aspect",),
    "held_shift": ("locked_shift",),
    "held_turn": ("locked_turn",),
    "probes": ("measurements",),
}
"""Keys of earlier bench files, and what they are called now (where there are two, by table)."""


def renamed(key: str, known: Collection[str]) -> str:
    """Return what ``key`` is called now among ``known``, or ""."""
    return next((new for new in RENAMED.get(key, ()) if new in known), "")


def _unknown_key(key: str, known: list[str]) -> str:
    if new := renamed(key, known):
        return f"this key is called {new!r} now; write {new} in its place"
    close = closest(key, known)
    hint = f" Did you mean {close!r}?" if close else ""
    return f"there is no such key.{hint} Allowed here: {', '.join(known) or 'none'}"


def _wrong_type(kind: str, given: Any) -> str:
    stem, _, ending = kind.rpartition("_")
    return f"{given!r} is not {_KINDS.get(stem, stem)}" if ending in ("type", "parsing") else ""


_BOUNDS = {
    "greater_than": "larger than {gt:g}",
    "greater_than_equal": "{ge:g} or larger",
    "less_than": "smaller than {lt:g}",
    "less_than_equal": "{le:g} or smaller",
}
_KINDS = {
    "string": "a string (text in quotes)",
    "int": "a whole number",
    "float": "a number",
    "bool": "true or false",
    "list": "an array [ … ]",
    "dict": "a table",
    "model": "a table",
    "model_attributes": "a table",
}


def known_keys(model: Any, path: Path) -> list[str]:
    """Return the keys of the table that ``path`` leads to from ``model``."""
    for key in path:
        model = _step(_table(model), key)
    table = _table(model)
    return list(table.model_fields) if _is_model(table) else []


def _step(model: Any, key: str | int) -> Any:
    if _is_model(model):
        field = model.model_fields.get(str(key))
        if field is not None:
            return field.annotation
        return typing.get_type_hints(model).get("__pydantic_extra__", dict[str, Any])
    arguments = typing.get_args(model)
    return arguments[-1] if arguments else None


def _table(annotation: Any) -> Any:
    """Strip ``Annotated`` and ``| None`` off an annotation."""
    if typing.get_origin(annotation) is typing.Annotated:
        return _table(typing.get_args(annotation)[0])
    if typing.get_origin(annotation) in (typing.Union, types.UnionType):
        return next((_table(a) for a in typing.get_args(annotation) if a is not type(None)), None)
    return annotation


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)
