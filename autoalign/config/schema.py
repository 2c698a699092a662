"""The JSON schema of bench files, with the keys of every installed driver."""

from __future__ import annotations

from typing import Any

from autoalign.config.tables import AxisTable, BenchTables, DetectorTable, StageTable
from autoalign.core.errors import PluginError
from autoalign.plugins import names, plugin

__all__ = ["bench_schema"]


def bench_schema() -> dict[str, Any]:
    """Return the JSON schema (draft 2020-12) of bench files, for editors that check TOML.

    Stages and detectors are open tables; for each installed driver a rule says which further keys
    a table that names it may have. Broken plug-ins are left out.
    """
    schema = BenchTables.model_json_schema()
    definitions = schema["$defs"]
    for group, table in (("stages", "StageTable"), ("detectors", "DetectorTable")):
        rules = [_rule(group, name, definitions) for name in names(group)]
        definitions[table]["allOf"] = [rule for rule in rules if rule]
        # What is like another takes over the driver and what that requires.
        definitions[table]["required"].remove("driver")
        definitions[table]["anyOf"] = [{"required": ["driver"]}, {"required": ["like"]}]
    return {
        "$schema": "https://json-schema.org/draft/2020-12/schema",
        **schema,
        "title": "autoalign bench file",
    }


def _rule(group: str, name: str, definitions: dict[str, Any]) -> dict[str, Any]:
    """Return "where the driver is ``name``, these keys": its settings model as a schema."""
    try:
        model = plugin(group, name).settings
    except PluginError:
        return {}
    place = f"{group}.{name}."
    settings = model.model_json_schema(ref_template=f"#/$defs/{place}{{model}}")
    for key, definition in settings.pop("$defs", {}).items():
        definitions[place + key] = definition
    own = StageTable if group == "stages" else DetectorTable
    keys = {**dict.fromkeys(own.model_fields, True), **settings["properties"]}
    if "axes" in settings["properties"]:
        keys["axes"] = {"additionalProperties": _axis(definitions, keys["axes"])}
    required = [key for key in settings.get("required", []) if key != "axes"]
    named = {"properties": {"driver": {"const": name}}, "required": ["driver"]}
    then = {"properties": keys, "additionalProperties": False}
    alike = {"if": {"not": {"required": ["like"]}}, "then": {"required": required}}
    return {"if": named, "then": {**then, "allOf": [alike]}}


def _axis(definitions: dict[str, Any], axes: dict[str, Any]) -> dict[str, Any]:
    """Return the driver's part of an axis table; the axis' own keys are allowed beside it."""
    key = axes.get("additionalProperties", {}).get("$ref", "").rpartition("/")[2]
    own = dict(definitions.get(key, {}))
    allowed = dict.fromkeys(AxisTable.model_fields, True)
    return {**own, "properties": {**allowed, **own.get("properties", {})}}
