"""All field kinds, and the tables that describe fields in a link file.

Kinds that hold one value live in `linkbudget.message.scalars`; here are those that hold other fields.
"""

from __future__ import annotations

import dataclasses
from collections.abc import Iterable, Iterator, Mapping
from dataclasses import dataclass
from decimal import Decimal
from fractions import Fraction
from functools import cached_property
from typing import Any, ClassVar

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.message.primitives import Group, Member, Optional, Primitive, Sequence
from linkbudget.message.scalars import (
    Blob,
    Choice,
    Counter,
    Field,
    Flag,
    Integer,
    Label,
    Real,
    Scaled,
)
from linkbudget.units import is_whole_number

__all__ = [
    "FIELD_KINDS",
    "Blob",
    "Choice",
    "Counter",
    "Field",
    "Flag",
    "Integer",
    "Label",
    "Optional_",
    "Real",
    "Repeat",
    "Scaled",
    "duplicate_faults",
    "field_from_dict",
    "field_to_dict",
    "fields_from_tables",
    "same_name_faults",
]

MAX_COUNT = 1 << 16


def duplicate_faults(fields: tuple[object, ...], path: str) -> Iterator[Fault]:
    """Yield an entry that is no field, and each name that an earlier field has already."""
    yield from _same_names([field.name if isinstance(field, Field) else None for field in fields], path)
    for index, field in enumerate(fields):
        if not isinstance(field, Field):
            yield Fault(f"{path}[{index}]", field, "a field: Integer, Scaled, Choice …")


def _same_names(names: Iterable[object], path: str) -> Iterator[Fault]:
    seen: set[str] = set()
    for index, name in enumerate(names):
        if isinstance(name, str):
            if name in seen:
                yield Fault(f"{path}[{index}].name", name, "a name no other field of the group has")
            seen.add(name)


@dataclass(frozen=True)
class Repeat(Field):
    """From ``min_count`` to ``max_count`` of the same; the value is a list.

    ``fields`` is a sequence of fields (each element a dict) or one field (each element its value), which may
    also be given as ``of``. Typical count: the middle.
    """

    kind: ClassVar[str] = "repeat"
    name: str
    fields: tuple[Field, ...] = ()
    max_count: int = 1
    min_count: int = 0
    typical_count: int | None = None
    of: Field | None = None

    def __post_init__(self) -> None:
        given: object = self.fields
        if isinstance(given, Field) and self.of is None:
            object.__setattr__(self, "of", given)
            object.__setattr__(self, "fields", ())
        elif not isinstance(given, Field):
            object.__setattr__(self, "fields", tuple(self.fields or ()))
        super().__post_init__()

    def faults(self) -> Iterator[Fault]:
        """Yield impossible counts and elements."""
        for key in ("max_count", "min_count"):
            count = getattr(self, key)
            if not is_whole_number(count, 0, MAX_COUNT):
                yield Fault(key, count, f"0 to {MAX_COUNT}")
                return
        if self.min_count > self.max_count:
            yield Fault("min_count", self.min_count, f"at most max_count, {self.max_count}")
        elif self.typical_count is not None and not self.min_count <= self.typical_count <= self.max_count:
            yield Fault("typical_count", self.typical_count, f"{self.min_count} to {self.max_count}")
        yield from self._element_faults()

    def _element_faults(self) -> Iterator[Fault]:
        if (self.of is None) == (not self.fields):
            yield Fault(
                "fields", None, "one field or more, or one field as of", problem="exactly one is needed"
            )
        elif isinstance(self.of, Optional_):
            yield Fault("of", self.of.name, "a field that is not optional; let the count vary instead")
        elif self.of is not None:
            yield from duplicate_faults((self.of,), "of")
        else:
            yield from duplicate_faults(self.fields, "fields")

    @cached_property
    def primitive(self) -> Sequence:
        """A sequence of groups, or of one primitive."""
        item: Primitive = self.of.primitive if self.of is not None else group_of(self.fields)
        typical = (self.min_count + self.max_count) // 2 if self.typical_count is None else self.typical_count
        return Sequence(item, self.min_count, self.max_count, typical)


@dataclass(frozen=True)
class Optional_(Field):
    """A field that may be left out; a value without it lacks the key. Typical: it is there."""

    kind: ClassVar[str] = "optional"
    field: Field

    @property
    def name(self) -> str:  # type: ignore[override]
        """The name of the field."""
        return self.field.name if isinstance(self.field, Field) else ""

    def _name_faults(self) -> Iterator[Fault]:
        yield from ()

    def faults(self) -> Iterator[Fault]:
        """Yield what is no field, and an optional one in an optional one."""
        if not isinstance(self.field, Field) or isinstance(self.field, Optional_):
            yield Fault("field", self.field, "a field that is not optional itself")

    @cached_property
    def primitive(self) -> Optional:
        """Something that may be absent."""
        return Optional(self.field.primitive)


def group_of(fields: tuple[Field, ...]) -> Group:
    """Return the group of these fields' primitives."""
    return Group(tuple(Member(field.name, field.primitive) for field in fields))


FIELD_KINDS: dict[str, type[Field]] = {
    kind.kind: kind for kind in (Integer, Scaled, Choice, Flag, Counter, Real, Blob, Label, Repeat, Optional_)
}


def field_from_dict(table: Mapping[str, Any], path: str = "field") -> Field:
    """Return the field that a table of a link file describes: its settings by name, and ``kind``.

    ``path`` is the key path of the table; `SettingsError` carries every fault under it.
    """
    if not isinstance(table, Mapping):
        raise SettingsError(Fault(path, table, "a table with name and kind"))
    kind = table.get("kind")
    cls = FIELD_KINDS.get(kind) if isinstance(kind, str) else None
    if cls is None:
        nearest = nearest_name(kind, FIELD_KINDS) if isinstance(kind, str) else None
        raise SettingsError(Fault(f"{path}.kind", kind, ", ".join(FIELD_KINDS), nearest))
    faults = list(_key_faults(cls, table, path))
    settings = {
        key: _inner(key, value, f"{path}.{key}", faults) for key, value in table.items() if key != "kind"
    }
    if faults:
        raise SettingsError(faults)
    try:
        return cls(**settings)
    except SettingsError as error:
        raise SettingsError([_moved(fault, table.get("name"), path) for fault in error.faults]) from None


def fields_from_tables(tables: Iterable[Any], path: str, faults: list[Fault]) -> list[Field]:
    """Return the fields of a list of tables that can be had, adding to ``faults`` what is wrong.

    Where all can be had, it is for the layout or group to refuse names that stand twice.
    """
    made: list[Field] = []
    given = list(tables)
    for index, table in enumerate(given):
        try:
            made.append(field_from_dict(table, f"{path}[{index}]"))
        except SettingsError as error:
            faults += error.faults
    if len(made) < len(given):
        faults += same_name_faults(given, path)
    return made


def same_name_faults(tables: Iterable[object], path: str) -> Iterator[Fault]:
    """Yield each name that an earlier one of these tables gives its field already."""
    return _same_names(map(_name_in, tables), path)


def _name_in(table: object) -> object:
    """Return the name a table gives its field; an optional one has that of the field in it."""
    if not isinstance(table, Mapping):
        return None
    return _name_in(table.get("field")) if table.get("kind") == Optional_.kind else table.get("name")


def _key_faults(cls: type[Field], table: Mapping[str, Any], path: str) -> Iterator[Fault]:
    known = {field.name: field for field in dataclasses.fields(cls)}  # type: ignore[arg-type]
    for key in table:
        if key not in known and key != "kind":
            problem = f"is no key of a {cls.kind} field"
            yield Fault(
                f"{path}.{key}", table[key], ", ".join(known), nearest_name(key, known), problem=problem
            )
    for key, field in known.items():
        if field.default is dataclasses.MISSING and key not in table:
            yield Fault(f"{path}.{key}", None, f"a value; a {cls.kind} field has one", problem="is missing")


def _inner(key: str, value: Any, path: str, faults: list[Fault]) -> Any:
    """A setting in the type the field takes: tables of fields become fields."""
    try:
        if key in {"of", "field"}:
            return field_from_dict(value, path)
        if key == "fields" and isinstance(value, list | tuple):
            return tuple(fields_from_tables(value, path, faults))
        if key in {"fields", "options", "codes"} and not isinstance(value, list | tuple):
            raise SettingsError(Fault(path, value, "a list"))
    except SettingsError as error:
        faults += error.faults
    return value


def _moved(fault: Fault, name: object, path: str) -> Fault:
    inside = fault.path.removeprefix(f"{name}.")
    return dataclasses.replace(fault, path=f"{path}.{inside}")


def field_to_dict(field: Field) -> dict[str, Any]:
    """Return the table that describes a field; settings at their default are left out."""
    table: dict[str, Any] = {}
    for setting in dataclasses.fields(field):  # type: ignore[arg-type]
        value = getattr(field, setting.name)
        if value != setting.default:
            table[setting.name] = _plain(value)
        if setting.name == "name":
            table["kind"] = field.kind
    return {"kind": field.kind, **table} if "kind" not in table else table


def _plain(value: Any) -> Any:
    if isinstance(value, Field):
        return field_to_dict(value)
    if isinstance(value, tuple):
        return [_plain(item) for item in value]
    if isinstance(value, Fraction | Decimal):
        whole = value == int(value)
        return int(value) if whole else float(value)
    return value
