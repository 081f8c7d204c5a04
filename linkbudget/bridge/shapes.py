"""Values of a construct declaration, nested as it is, become those of a layout, flat, and back."""

from __future__ import annotations

from collections.abc import Mapping
from dataclasses import dataclass
from typing import Any, TypeAlias

__all__ = ["EACH", "Leaf", "Node", "Nothing", "Shape", "element", "elements"]

EACH = "each"
"""The name of the field that a repeat of single values repeats."""


@dataclass(frozen=True)
class Nothing:
    """A part that carries no value: padding, a constant, a checksum."""

    def collect(self, parsed: Any, value: dict[str, Any]) -> None:
        """Leave the value as it is."""

    def parsed(self, value: Mapping[str, Any]) -> None:
        """Return None, for which construct writes what belongs there."""


@dataclass(frozen=True)
class Leaf:
    """A part that is one field; of a repeat, ``item`` is the shape of an element."""

    name: str
    item: Shape | None = None

    def collect(self, parsed: Any, value: dict[str, Any]) -> None:
        """Put the field's value under its name."""
        if self.item is not None:
            value[self.name] = [element(self.item, part) for part in parsed]
        else:
            # What construct parses for an enumeration is a str of its own kind.
            value[self.name] = str.__str__(parsed) if isinstance(parsed, str) else parsed

    def parsed(self, value: Mapping[str, Any]) -> Any:
        """Return the field's value as construct has it."""
        found = value[self.name]
        return found if self.item is None else elements(self.item, found)


@dataclass(frozen=True)
class Node:
    """Several parts by key, as a mapping or as a list."""

    parts: tuple[tuple[str | int, Shape], ...]
    listed: bool = False

    def collect(self, parsed: Any, value: dict[str, Any]) -> None:
        """Put the fields of all parts under their names."""
        for key, part in self.parts:
            if not isinstance(part, Nothing):
                part.collect(parsed[key], value)

    def parsed(self, value: Mapping[str, Any]) -> Any:
        """Return the parts as construct builds from them."""
        made = {
            key: part.parsed(value)
            for key, part in self.parts
            if self.listed or not isinstance(part, Nothing)
        }
        return list(made.values()) if self.listed else made


Shape: TypeAlias = Nothing | Leaf | Node


def element(shape: Shape, parsed: Any) -> Any:
    """Return the value of one element of a repeat."""
    value: dict[str, Any] = {}
    shape.collect(parsed, value)
    return value[EACH] if isinstance(shape, Leaf) else value


def elements(shape: Shape, values: Any) -> list[Any]:
    """Return the elements of a repeat as construct builds from them."""
    return [shape.parsed({EACH: value} if isinstance(shape, Leaf) else value) for value in values]
