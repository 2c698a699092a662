"""Every key of a bench file in words: unit, allowed values, default and meaning.

Read off the models that check the file, so that it cannot differ from what is accepted.
"""

from __future__ import annotations

import inspect
import json
import types
import typing
from collections.abc import Iterator, Mapping
from dataclasses import dataclass, field
from typing import Any

from pydantic import BaseModel, WithJsonSchema
from pydantic.fields import FieldInfo

from autoalign.config.drivers import SIMULATED
from autoalign.config.tables import AxisTable, BenchTables, DetectorTable, StageTable, TermTable
from autoalign.config.terms import TERM_KEYS
from autoalign.config.uncertainties import KINDS
from autoalign.core.errors import PluginError, UsageError
from autoalign.core.units import kind_name, parse_quantity
from autoalign.plugins import names, plugin

__all__ = ["Key", "Section", "bench_keys"]

REQUIRED = "required"
NOT_DESCRIBED = "(the plug-in does not describe this key)"
_OPEN: dict[str, type[BaseModel]] = {"stages": StageTable, "detectors": DetectorTable}
_PLAIN = {str: "text", int: "a whole number", float: "a number", bool: "true or false"}
_BOUNDS = {
    "gt": "larger than {:g}",
    "ge": "{:g} or larger",
    "lt": "smaller than {:g}",
    "le": "{:g} or smaller",
}


@dataclass(frozen=True, slots=True)
class Key:
    """One key: ``kind`` names type or unit, ``default`` is "required" where it has to be given."""

    name: str
    kind: str
    allowed: str
    default: str
    example: str
    description: str


@dataclass(frozen=True, slots=True)
class Section:
    """One table of the file, or the keys that one driver or term adds to it."""

    title: str
    description: str
    keys: tuple[Key, ...]


@dataclass(slots=True)
class _Facts:
    """What an annotation says: the plain type inside, its bounds, and the schema's hints."""

    inner: Any
    bounds: dict[str, Any] = field(default_factory=dict)
    hints: dict[str, Any] = field(default_factory=dict)


def bench_keys() -> list[Section]:
    """Return every key that a bench file may have, with those of every installed driver and term.

    Broken plug-ins are left out; ``autoalign plugins`` lists them with the reason.
    """
    sections: list[Section] = []
    for name, info in BenchTables.model_fields.items():
        facts = _facts(info.annotation, info.metadata)
        if name in _OPEN:
            sections += _device(name, info)
        elif name == "spec":
            sections += _spec(info, facts.inner)
        elif name == "uncertainties":
            sections.append(_uncertainties(info))
        elif _is_model(facts.inner):
            title = f"[{name}]"
            sections.append(Section(title, info.description or "", _keys(facts.inner)))
            sections += _nested(title, facts.inner)
        else:
            one = _key("NAME", info, typing.get_args(facts.inner)[-1], REQUIRED, ())
            sections.append(Section(f"[{name}]", info.description or "", (one,)))
    return sections


def _device(group: str, info: FieldInfo) -> Iterator[Section]:
    """Yield the table of a stage or a detector, of its axes, and what each driver adds."""
    own = _OPEN[group]
    yield Section(f"[{group}.NAME]", info.description or "", _keys(own))
    if own is StageTable:
        title = '[stages.NAME.axes."AXIS"]'
        yield Section(title, _summary(AxisTable), _keys(AxisTable))
        yield from _nested(title, AxisTable)
    else:
        yield Section(
            f'[detectors.NAME], driver = "{SIMULATED}"', "Taken from the [simulation].", ()
        )
    for driver in names(group):
        try:
            model: type[BaseModel] = plugin(group, driver).settings
        except PluginError:
            continue
        title = f'[{group}.NAME], driver = "{driver}"'
        yield Section(title, _summary(model), _keys(model, without="axes"))
        yield from _nested(title, model)


def _spec(info: FieldInfo, model: type[BaseModel]) -> Iterator[Section]:
    """Yield the keys of [spec], of every term, and what each kind of term adds."""
    yield Section("[spec]", info.description or "", _keys(model))
    common = _keys(TermTable)
    yield Section("[spec], every term", "Keys that every term has.", common)
    for name in names("terms"):
        try:
            parameters = inspect.signature(plugin("terms", name)).parameters
        except (PluginError, ValueError, TypeError):
            continue
        keys = tuple(
            _term_key(key, parameter)
            for key, parameter in parameters.items()
            if key not in TermTable.model_fields
        )
        yield Section(f"[spec], term {name}", "Keys that this kind of term adds.", keys)


def _term_key(name: str, parameter: inspect.Parameter) -> Key:
    kind, words = TERM_KEYS.get(name, ("a value", NOT_DESCRIBED))
    default = REQUIRED if parameter.default is parameter.empty else _shown(parameter.default, "")
    return Key(name, kind, "", default, "", words)


def _uncertainties(info: FieldInfo) -> Section:
    keys = tuple(
        Key(name, _with_units(kind_name(unit)), "larger than 0", "not stated", "", words)
        for name, (unit, words) in KINDS.items()
    )
    return Section("[uncertainties]", info.description or "", keys)


def _nested(title: str, model: type[BaseModel]) -> Iterator[Section]:
    """Yield a section for every model inside ``model``, with the keys that hold such a table."""
    holders: dict[type[BaseModel], list[str]] = {}
    for name, info in model.model_fields.items():
        inner = _innermost(_facts(info.annotation, info.metadata).inner)
        if _is_model(inner):
            holders.setdefault(inner, []).append(name)
    for inner, keys in holders.items():
        per_axis = keys == ["axes"]
        where = f"{title}, in each axis" if per_axis else f"{title}, in {', '.join(keys)}"
        if inner is not AxisTable:
            yield Section(where, _summary(inner), _keys(inner))
            yield from _nested(where, inner)


def _keys(model: type[BaseModel], without: str = "") -> tuple[Key, ...]:
    return tuple(
        _key(name, info, info.annotation, _default(info))
        for name, info in model.model_fields.items()
        if name != without
    )


def _key(
    name: str,
    info: FieldInfo,
    annotation: Any,
    default: str,
    metadata: typing.Iterable[Any] | None = None,
) -> Key:
    facts = _facts(annotation, info.metadata if metadata is None else metadata)
    examples = facts.hints.get("examples", [])
    return Key(
        name,
        _kind(facts),
        _allowed(facts),
        default,
        json.dumps(examples[0], ensure_ascii=False) if examples else "",
        info.description or NOT_DESCRIBED,
    )


def _facts(annotation: Any, metadata: typing.Iterable[Any] = ()) -> _Facts:
    """Take ``Annotated`` and ``| None`` off, and keep what they said."""
    arguments = typing.get_args(annotation)
    if typing.get_origin(annotation) is typing.Annotated:
        facts = _facts(arguments[0])
        metadata = [*arguments[1:], *metadata]
    elif typing.get_origin(annotation) in (typing.Union, types.UnionType):
        facts = _facts(next(a for a in arguments if a is not type(None)))
    else:
        facts = _Facts(annotation)
    for item in metadata:
        if isinstance(item, WithJsonSchema):
            facts.hints |= item.json_schema or {}
        for nested in (item, *getattr(item, "metadata", ())):
            for bound in (*_BOUNDS, "min_length", "max_length", "pattern"):
                if (limit := getattr(nested, bound, None)) is not None:
                    facts.bounds[bound] = limit
    return facts


def _kind(facts: _Facts) -> str:
    origin, arguments = typing.get_origin(facts.inner), typing.get_args(facts.inner)
    if "examples" in facts.hints:
        kind = facts.hints.get("format") or _kind_of(facts.hints["examples"][0])
        return _with_units(kind)
    if origin is typing.Literal:
        return "one of " + ", ".join(json.dumps(a) for a in arguments)
    if origin in (list, tuple, dict):
        name = {list: "array", tuple: f"array of {len(arguments)}", dict: "table"}[origin]
        return f"{name}, each {_kind(_facts(arguments[-1]))}"
    if _is_model(facts.inner):
        return "table"
    return _PLAIN.get(facts.inner, "a value")


def _kind_of(example: str) -> str:
    try:
        return kind_name(parse_quantity(example)[1])
    except UsageError:
        return "text"


_UNITS = {
    "a length": "nm, um, mm, m",
    "an angle": "urad, mrad, rad, deg",
    "a time": "ms, s, min, h",
    "a plain number": "%",
}


def _with_units(kind: str) -> str:
    """Name the units of a kind of quantity; a ratio is called so."""
    units = _UNITS.get(kind)
    kind = "a ratio" if kind == "a plain number" else kind
    return kind if units is None else f"{kind} ({units})"


def _allowed(facts: _Facts) -> str:
    said = [text.format(facts.bounds[b]) for b, text in _BOUNDS.items() if b in facts.bounds]
    low, high = facts.bounds.get("min_length"), facts.bounds.get("max_length")
    if typing.get_origin(facts.inner) in (list, dict) and (low or high):
        said.append(f"{low} entries" if low == high else f"at least {low}")
    elif low:
        said.append("not empty")
    if "pattern" in facts.bounds:
        said.append(f"matching {facts.bounds['pattern']}")
    return " and ".join(said)


def _default(info: FieldInfo) -> str:
    if info.is_required():
        return REQUIRED
    facts = _facts(info.annotation, info.metadata)
    while typing.get_origin(facts.inner) is list and "examples" not in facts.hints:
        facts = _facts(typing.get_args(facts.inner)[0])
    unit = ""
    if "examples" in facts.hints:
        inner = _inner_unit(facts.hints["examples"][0])
        unit = "" if inner == "1" else inner
    return _shown(info.get_default(call_default_factory=True), unit)


def _inner_unit(example: str) -> str:
    try:
        return parse_quantity(example)[1]
    except UsageError:
        return ""


def _shown(value: Any, unit: str) -> str:
    """Return a default as it is written in a bench file."""
    if value is None:
        return "none"
    if isinstance(value, BaseModel):
        set_ = {k: getattr(value, k) for k in value.model_fields_set}
        body = ", ".join(f"{k} = {_shown(v, '')}" for k, v in set_.items())
        return f"{{ {body} }}" if body else "none"
    if isinstance(value, list | tuple):
        return "[" + ", ".join(_shown(v, unit) for v in value) + "]"
    if isinstance(value, Mapping):
        return "{" + ", ".join(f"{k} = {_shown(v, unit)}" for k, v in value.items()) + "}"
    if isinstance(value, int | float) and not isinstance(value, bool) and unit:
        return f'"{value:g} {unit}"'
    return json.dumps(value, ensure_ascii=False)


def _innermost(annotation: Any) -> Any:
    """Return what a list or a table of tables holds."""
    if typing.get_origin(annotation) in (list, dict):
        return _facts(typing.get_args(annotation)[-1]).inner
    return annotation


def _summary(model: type[BaseModel]) -> str:
    """Return the first paragraph of the docstring of ``model`` as plain text."""
    words = inspect.cleandoc(model.__doc__ or "").partition("\n\n")[0]
    return " ".join(words.replace("``", "").split())


def _is_model(annotation: Any) -> bool:
    return isinstance(annotation, type) and issubclass(annotation, BaseModel)
