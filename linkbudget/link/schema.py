"""The JSON Schema of the link file, made from the annotations the reader uses.

What one key may hold stands in both; what has to fit between keys (a joint's field, a strategy's limit) only
the reader knows.
"""

from __future__ import annotations

from collections.abc import Mapping
from typing import Any

from linkbudget.link.field_keys import FIELD_KINDS
from linkbudget.link.keys import KeySpec, Section, is_number, key_specs
from linkbudget.link.requirements import REQUIREMENTS
from linkbudget.link.tables import LinkKeys

__all__ = ["link_schema"]

Schema = dict[str, Any]
DIALECT = "https://json-schema.org/draft/2020-12/schema"
FIELD = {"$ref": "#/$defs/field"}


def link_schema() -> Schema:
    """Return the JSON Schema (draft 2020-12) of the link file."""
    definitions: dict[str, Schema] = {}
    top = _table(LinkKeys, definitions)
    kinds = [_field(kind, section, definitions) for kind, section in FIELD_KINDS.items()]
    definitions["field"] = {"description": "One field of a message.", "type": "object", "oneOf": kinds}
    return {"$schema": DIALECT, "title": "Link file of linkbudget", **top, "$defs": definitions}


def _table(section: type[Section], definitions: dict[str, Schema]) -> Schema:
    specs = key_specs(section)
    table: Schema = {
        "type": "object",
        "properties": {name: _property(spec, definitions) for name, spec in specs.items()},
        "additionalProperties": False,
    }
    required = [name for name, spec in specs.items() if spec.required]
    return {**table, "required": required} if required else table


def _field(kind: str, section: type[Section], definitions: dict[str, Schema]) -> Schema:
    table = _table(section, definitions)
    description = (section.__doc__ or "").strip()
    properties = {"kind": {"const": kind, "description": description}, **table["properties"]}
    return {**table, "properties": properties, "required": ["kind", *table["required"]]}


def _property(spec: KeySpec, definitions: dict[str, Schema]) -> Schema:
    schema = {"description": spec.key.doc, **_held(spec, definitions)}
    default = spec.default
    if not spec.required and (isinstance(default, bool | str) or is_number(default)) and default != "":
        schema["default"] = default
    if spec.key.example:
        schema["examples"] = [spec.key.example]
    return schema


def _reference(section: type[Section], definitions: dict[str, Schema]) -> Schema:
    name = section.__name__.removesuffix("Keys").lower()
    if name not in definitions:
        definitions[name] = {}  # holds the place while the section's own sections are written
        definitions[name] = _table(section, definitions)
    return {"$ref": f"#/$defs/{name}"}


def _held(spec: KeySpec, definitions: dict[str, Schema]) -> Schema:
    """Return what one key may hold."""
    if spec.section is not None:
        reference = _reference(spec.section, definitions)
        if spec.holds == "sections":
            return {"type": "array", "items": reference, **({"minItems": 1} if spec.required else {})}
        return reference if spec.holds == "section" else {"anyOf": [_text(spec), reference]}
    number = {"type": "number", **_range(spec)}
    integer = {"type": "integer", **_range(spec)}
    simple: dict[str, Schema] = {
        "flag": {"type": "boolean"},
        "integer": integer,
        "number": number,
        "text": _text(spec),
        "text or table": {
            "anyOf": [
                _text(spec),
                {"type": "object", "properties": {"name": _text(spec)}, "required": ["name"]},
            ]
        },
        "integer or text": {"anyOf": [integer, _text(spec)]},
        "number or list": {"anyOf": [number, {"type": "array", "items": number, "minItems": 1}]},
        "numbers": {"type": "array", "items": number},
        "integers": {"type": "array", "items": integer},
        "texts": {"type": "array", "items": _text(spec)},
        "fields": {"type": "array", "items": FIELD},
        "field": FIELD,
    }
    return _limits(number) if spec.holds == "limits" else simple[spec.holds]


def _text(spec: KeySpec) -> Schema:
    names = spec.key.choices or spec.key.suggest
    if names:
        return {"enum": list(names)}
    return {"type": "string", "pattern": spec.key.pattern} if spec.key.pattern else {"type": "string"}


def _range(spec: KeySpec) -> Mapping[str, int | float]:
    key = spec.key
    bounds = {"minimum": key.minimum, "maximum": key.maximum, "exclusiveMinimum": key.above}
    return {name: bound for name, bound in bounds.items() if bound is not None}


def _limits(number: Schema) -> Schema:
    """Return the table of requirements: the known names, and the step of a field, quoted or not."""
    known = {name: {"description": doc, **number} for name, doc in REQUIREMENTS.items()}
    steps = {"type": "object", "description": "Largest step of a field: step.<message>.<field>."}
    return {
        "type": "object",
        "properties": {**known, "step": steps},
        "patternProperties": {r"^step\..+\..+$": number},
        "additionalProperties": False,
    }
