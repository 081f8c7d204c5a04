"""What each key of the link file may hold: one annotation per key, and all that is made from it.

A section of the link file is a frozen dataclass (`Section`) whose fields are annotated with a `Key`: a
sentence for people, and the range or the choices. The reader of the link file, the checks of a section built
in Python and the JSON Schema all read these annotations, so the three cannot drift apart.
"""

from __future__ import annotations

import dataclasses
import math
import re
from collections.abc import Mapping
from dataclasses import MISSING, dataclass, replace
from decimal import Decimal
from fractions import Fraction
from functools import cache
from types import UnionType
from typing import Annotated, Any, ClassVar, Union, get_args, get_origin, get_type_hints

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.units import Number, exact, is_whole_number

__all__ = [
    "Key",
    "KeySpec",
    "NumberOrList",
    "Section",
    "Source",
    "describe",
    "given_keys",
    "key_specs",
    "missing",
    "plain",
    "value_faults",
]

NumberOrList = int | float | Fraction | Decimal | tuple[int | float | Fraction | Decimal, ...]


@dataclass(frozen=True)
class Key:
    """Metadata of one key: what it means, and which values it takes.

    ``minimum`` and ``maximum`` are inclusive, ``above`` is exclusive. For a list they bound each item.
    ``pattern`` is a regular expression the whole text matches, with an ``example`` unless all it asks for is
    that there is a text. ``suggest`` lists the
    names the schema offers where the object that is made of them judges them (it may know other spellings).
    ``name`` is the key in the file where it cannot be a Python name.
    """

    doc: str
    minimum: int | float | None = None
    maximum: int | float | None = None
    above: int | float | None = None
    choices: tuple[str, ...] | None = None
    suggest: tuple[str, ...] = ()
    pattern: str | None = None
    example: str = ""
    name: str | None = None


Source = Annotated[str, Key('Where these numbers come from; measured ones begin with "measured".')]


@dataclass(frozen=True)
class KeySpec:
    """One key of a section: ``name`` in the file, ``attribute`` in Python, what it ``holds``."""

    name: str
    attribute: str
    holds: str
    key: Key
    default: object
    section: type[Section] | None = None

    @property
    def required(self) -> bool:
        """Return whether the section must give this key."""
        return self.default is MISSING


class Section:
    """Base of the sections: checks every key against its annotation when it is built; `SettingsError`."""

    SECTION: ClassVar[str] = ""

    def __post_init__(self) -> None:
        faults = []
        for spec in key_specs(type(self)).values():
            value = plain(getattr(self, spec.attribute))
            object.__setattr__(self, spec.attribute, value)
            if value is not None or spec.required:
                faults += value_faults(spec, value, f"{self.SECTION}.{spec.name}")
        faults = faults or [
            replace(fault, path=f"{self.SECTION}.{fault.path}") for fault in self.cross_faults()
        ]
        if faults:
            raise SettingsError(faults)

    def cross_faults(self) -> list[Fault]:
        """Return what is wrong between keys of this section; paths are key names."""
        return []


_HOLDS: dict[frozenset[object], str] = {
    frozenset({bool}): "flag",
    frozenset({int}): "integer",
    frozenset({str}): "text",
    frozenset({int, str}): "integer or text",
    frozenset({str, Mapping[str, Any]}): "text or table",
    frozenset(get_args(Number)): "number",
    frozenset(get_args(NumberOrList)): "number or list",
    frozenset({tuple[Number, ...]}): "numbers",
    frozenset({tuple[int, ...]}): "integers",
    frozenset({tuple[str, ...]}): "texts",
    frozenset({Mapping[str, Number]}): "limits",
    frozenset({tuple[Mapping[str, Any], ...]}): "fields",
    frozenset({Mapping[str, Any]}): "field",
}


def key_specs(section: type[Section]) -> dict[str, KeySpec]:
    """Return the keys of a section by their name in the file, in the order they are declared."""
    hashable: Any = section
    return _key_specs(hashable)


@cache
def _key_specs(section: Any) -> dict[str, KeySpec]:
    hints = get_type_hints(section, include_extras=True)
    specs = {}
    for field in dataclasses.fields(section):
        hint = hints[field.name]
        assert get_origin(hint) is Annotated, f"{section.__name__}.{field.name} has no Key"
        inner, key = get_args(hint)[:2]
        union = get_args(inner) if get_origin(inner) in _UNIONS else (inner,)
        parts = [part for part in union if part is not type(None)]
        holds, nested = _held(parts)
        default = field.default if field.default_factory is MISSING else field.default_factory()
        name = key.name or field.name
        specs[name] = KeySpec(name, field.name, holds, key, default, nested)
    return specs


_UNIONS = (UnionType, Union)


def _held(parts: list[Any]) -> tuple[str, type[Section] | None]:
    sections = [part for part in parts if isinstance(part, type) and issubclass(part, Section)]
    if sections:
        return ("section" if len(parts) == 1 else "text or section"), sections[0]
    if len(parts) == 1:
        part = parts[0]
        items = get_args(part)
        if get_origin(part) is tuple and isinstance(items[0], type) and issubclass(items[0], Section):
            return "sections", items[0]
    return _HOLDS[frozenset(parts)], None


def missing(path: str, allowed: str) -> Fault:
    """Return the fault of a key that has to be given and is not."""
    return Fault(path, None, allowed, problem="is missing")


def given_keys(section: Section) -> list[str]:
    """Return the keys of a section whose value differs from the default."""
    specs = key_specs(type(section)).values()
    return [spec.name for spec in specs if getattr(section, spec.attribute) != spec.default]


def plain(value: object) -> object:
    """Return a read value in its plain type: decimals as floats where nothing is lost, lists as tuples."""
    if isinstance(value, Decimal):
        # The exact fraction of 1e999999999 would fill the memory; as a float it is infinite, and refused.
        huge = not value.is_finite() or abs(value.adjusted()) > 400
        return float(value) if huge or exact(float(value)) == value else value
    if isinstance(value, list | tuple):
        return tuple(plain(item) for item in value)
    if isinstance(value, Mapping):
        return {name: plain(item) for name, item in value.items()}
    return value


def is_number(value: object) -> bool:
    """Return whether ``value`` is a number in the sense of the link file (true and false are not)."""
    return isinstance(value, int | float | Decimal | Fraction) and not isinstance(value, bool)


def _range_text(key: Key) -> str:
    if key.above is not None:
        low = f" above {key.above}"
        return f"{low}, up to {key.maximum}" if key.maximum is not None else low
    if key.minimum is not None and key.maximum is not None:
        return f" from {key.minimum} to {key.maximum}"
    if key.minimum is not None:
        return f" from {key.minimum} up"
    return f" up to {key.maximum}" if key.maximum is not None else ""


_NOUNS = {
    "flag": "true or false",
    "integer": "a whole number{}",
    "text": "a text",
    "integer or text": "a whole number{} or a text",
    "number": "a number{}",
    "number or list": "a number{}, or a list of such numbers",
    "numbers": "a list of numbers, each{}",
    "integers": "a list of whole numbers, each{}",
    "texts": "a list of texts",
    "limits": "a table of numbers{}",
    "fields": "a list of field tables",
    "field": "a field table",
    "section": "a table",
    "text or section": "a name or a table",
    "text or table": "a name, or a table with a name",
    "sections": "a list of tables",
}


def describe(spec: KeySpec) -> str:
    """Return in words what a key may hold."""
    if spec.key.choices is not None:
        text = ", ".join(spec.key.choices)
        return f"a list of: {text}" if spec.holds == "texts" else f"one of: {text}"
    text = _NOUNS[spec.holds].format(_range_text(spec.key)).removesuffix(", each")
    if spec.key.example:
        means = spec.key.doc[0].lower() + spec.key.doc[1:].rstrip(".")
        return f'{text} such as "{spec.key.example}" ({means})'
    return f"{text} that is not empty" if spec.key.pattern else text


def _fits(key: Key, value: Any) -> bool:
    if isinstance(value, float) and not math.isfinite(value):
        return False
    if isinstance(value, Decimal) and not value.is_finite():
        return False
    number = exact(value)
    return not (
        (key.minimum is not None and number < exact(key.minimum))
        or (key.maximum is not None and number > exact(key.maximum))
        or (key.above is not None and number <= exact(key.above))
    )


def _type_fits(holds: str, value: object) -> bool:
    if holds == "flag":
        return isinstance(value, bool)
    if holds in ("section", "sections"):
        return True  # sections check themselves
    if holds == "text or section":
        return isinstance(value, str | Section)
    if holds == "text":
        return isinstance(value, str)
    if holds == "integer":
        return is_whole_number(value)
    if holds == "text or table":
        return isinstance(value, str) or (isinstance(value, Mapping) and isinstance(value.get("name"), str))
    if holds == "integer or text":
        return _type_fits("integer", value) or isinstance(value, str)
    if holds == "number":
        return is_number(value)
    if holds == "number or list":
        return is_number(value) or (bool(value) and _type_fits("numbers", value))
    if holds in ("numbers", "integers", "texts", "fields"):
        item = holds.removesuffix("s")
        return isinstance(value, list | tuple) and all(_type_fits(item, part) for part in value)
    if holds == "limits":
        return isinstance(value, Mapping) and all(is_number(part) for part in value.values())
    return isinstance(value, Mapping)


def _scalars(holds: str, value: object) -> list[object]:
    if holds == "text or table":
        return [value["name"]] if isinstance(value, Mapping) else [value]
    return list(value) if isinstance(value, list | tuple) else [value]


def value_faults(spec: KeySpec, value: Any, path: str) -> list[Fault]:
    """Return what is wrong with one value against its key: type, range or choice."""
    if not _type_fits(spec.holds, value):
        return [Fault(path, value, describe(spec))]
    if spec.holds in ("section", "sections", "fields", "field") or isinstance(value, Section):
        return []
    if spec.holds == "limits":
        bounds = f"a number{_range_text(spec.key)}"
        wrong = {name: limit for name, limit in value.items() if not _fits(spec.key, limit)}
        return [Fault(f"{path}.{name}", limit, bounds) for name, limit in wrong.items()]
    for scalar in _scalars(spec.holds, value):
        if is_number(scalar) and not _fits(spec.key, scalar):
            return [Fault(path, value, describe(spec))]
        choices = spec.key.choices
        if isinstance(scalar, str) and choices is not None and scalar not in choices:
            return [Fault(path, value, describe(spec), nearest_name(scalar, choices))]
        pattern = spec.key.pattern
        if isinstance(scalar, str) and pattern is not None and not re.search(pattern, scalar):
            return [Fault(path, value, describe(spec))]
    return []
