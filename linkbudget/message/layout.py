"""A message layout: named fields in order, and how messages of one direction are told apart."""

from __future__ import annotations

from collections.abc import Iterator, Mapping
from dataclasses import dataclass, fields
from functools import cached_property
from typing import Any

from linkbudget.errors import Fault, SettingsError
from linkbudget.message.fields import Field, duplicate_faults, field_to_dict, fields_from_tables, group_of
from linkbudget.message.primitives import BadValue, Group, Member, State, value_faults

__all__ = ["MessageLayout"]


@dataclass(frozen=True)
class MessageLayout:
    """The fields of one message, in the order they are written; a message without fields is allowed.

    ``id`` (0 to 255) is the first byte of the payload in binary encodings, ``key`` the key or first word in
    text ones; without them neither is written. Raises `SettingsError` with every fault.

    >>> from linkbudget import Choice, Counter, Scaled, encoding
    >>> kinds = Choice("kind", ("whole", "split", "stone"))
    >>> layout = MessageLayout("beans", (Counter("tick", bits=16), kinds, Scaled("a", 0, 96, 0.4)))
    >>> encoding("packed-bits").size(layout)
    SizeRange(minimum=4, typical=4, maximum=4)
    """

    name: str
    fields: tuple[Field, ...]
    id: int | None = None
    key: str | None = None

    def __post_init__(self) -> None:
        given = (self.fields,) if isinstance(self.fields, Field) else tuple(self.fields)
        object.__setattr__(self, "fields", given)
        faults = list(self._faults())
        if faults:
            raise SettingsError(faults)

    def _faults(self) -> Iterator[Fault]:
        for key in ("name", "key"):
            text = getattr(self, key)
            if (text is not None or key == "name") and not (
                isinstance(text, str) and text and text.isprintable()
            ):
                yield Fault(key, text, "a printable text that is not empty")
        if self.id is not None and (isinstance(self.id, bool) or self.id not in range(256)):
            yield Fault("id", self.id, "0 to 255")
        yield from duplicate_faults(self.fields, "fields")

    def __getstate__(self) -> dict[str, object]:
        # What is cached is derived from the fields.
        return {field.name: getattr(self, field.name) for field in fields(self)}

    @classmethod
    def from_dict(cls, table: Mapping[str, Any], path: str = "") -> MessageLayout:
        """Return the layout a table with name, fields, id and key describes; other keys are left alone.

        ``path`` is the key path of the table, for the faults. Raises `SettingsError` with every fault.
        """
        faults: list[Fault] = []
        inside = f"{path}." if path else ""
        made = fields_from_tables(table.get("fields", ()), f"{inside}fields", faults)
        if faults:
            raise SettingsError(faults)
        return cls(table.get("name", ""), tuple(made), table.get("id"), table.get("key"))

    def to_dict(self) -> dict[str, Any]:
        """Return the table `from_dict` reads."""
        table: dict[str, Any] = {"name": self.name}
        for key in ("id", "key"):
            if getattr(self, key) is not None:
                table[key] = getattr(self, key)
        return {**table, "fields": [field_to_dict(field) for field in self.fields]}

    @cached_property
    def group(self) -> Group:
        """The fields as one group of primitives."""
        return group_of(self.fields)

    @property
    def primitives(self) -> tuple[Member, ...]:
        """The primitives with their names, in order."""
        return self.group.members

    @cached_property
    def plans(self) -> dict[object, Any]:
        """What encodings have worked out for this layout, so that they do it once."""
        return {}

    def field(self, name: str) -> Field:
        """Return the field of this name, an optional one as its wrapper; ``KeyError`` when there is none."""
        for field in self.fields:
            if field.name == name:
                return field
        raise KeyError(name)

    def to_primitive(self, value: Mapping[str, object]) -> State:
        """Return the state of a value: the states of its fields, in order.

        Raises `SettingsError` with every fault: field path, allowed range and value.
        """
        try:
            return self.group.state(value, "")
        except BadValue as error:
            raise error.with_faults(value_faults(self.group, value)) from None

    def from_primitive(self, state: State) -> dict[str, object]:
        """Return the value of a state: Python values by field name, without what is absent."""
        return self.group.value(state)
