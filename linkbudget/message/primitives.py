"""The few primitives that every field is lowered to; encodings see nothing else.

A *state* is a value in the form an encoding writes: the index of a ranged integer, a float, bytes, a tuple
of states, or None for something optional that is absent. `state` turns a Python value into it and refuses
what is no value of the field, `value` turns it back.
"""

from __future__ import annotations

import math
from collections.abc import Iterator, Mapping
from collections.abc import Sequence as Items
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from numbers import Integral
from typing import Any, TypeAlias

from linkbudget.errors import Fault, SettingsError, nearest_name
from linkbudget.message.number_forms import (
    as_number,
    bound_text,
    decimal_text,
    round_to_bits,
)
from linkbudget.units import decimal_places, exact, round_half_up

__all__ = [
    "BadValue",
    "Bytes",
    "Float",
    "Group",
    "Member",
    "NamedState",
    "Optional",
    "Primitive",
    "RangedInteger",
    "Sequence",
    "State",
    "Stepped",
    "Truth",
    "value_faults",
]

State: TypeAlias = Any


class BadValue(SettingsError):
    """A value that a field cannot have; ``reason`` says in what way, the fault names the field path."""

    def __init__(self, reason: str, path: str, value: object, allowed: str, **more: Any) -> None:
        self.reason = reason
        super().__init__(Fault(path, value, allowed, **more))

    def with_faults(self, faults: Iterator[Fault]) -> BadValue:
        """Return the same with these faults, of which the first is its own."""
        made = BadValue.__new__(BadValue)
        SettingsError.__init__(made, faults)
        made.reason = self.reason
        return made


@dataclass(frozen=True)
class RangedInteger:
    """States 0 to ``count`` - 1, which stand for the integers from ``base`` on, or for those in ``codes``.

    ``bits`` is a storage width that somebody else's format prescribes; ``order`` its byte order. With
    ``bits`` or ``codes`` packed forms write the integer itself (two's complement when ``base`` is negative),
    else the state.
    """

    count: int
    base: int = 0
    typical: int = 0
    unit: str = ""
    bits: int | None = None
    order: str | None = None
    codes: tuple[int, ...] = ()

    @property
    def plain(self) -> bool:
        """Whether packed forms write the integer itself, not the state."""
        return self.bits is not None or bool(self.codes)

    @property
    def signed(self) -> bool:
        """Whether negative integers occur."""
        return self.base < 0

    @property
    def largest(self) -> int:
        """The largest integer a state stands for."""
        return max(self.codes) if self.codes else self.base + self.count - 1

    @cached_property
    def number_bits(self) -> int:
        """Bits of the integer itself: two's complement when signed, at least ``bits``."""
        needed = max(self.largest.bit_length(), (-self.base - 1).bit_length() if self.signed else 0)
        return max(needed + self.signed, self.bits or 0)

    @cached_property
    def width(self) -> int:
        """Bits in a packed form."""
        return self.number_bits if self.plain else (self.count - 1).bit_length()

    def number(self, state: int) -> int:
        """Return the integer a state stands for."""
        return self.codes[state] if self.codes else self.base + state

    def state_of_number(self, number: int) -> int | None:
        """Return the state that stands for an integer, None when none does."""
        if self.codes:
            return self.codes.index(number) if number in self.codes else None
        return number - self.base if self.base <= number <= self.largest else None

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        unit = f" {self.unit}" if self.unit else ""
        return f"whole numbers {self.base} to {self.largest}{unit}"

    def state(self, value: object, path: str) -> State:
        """Return the state of a value; `BadValue` when it has none."""
        if isinstance(value, bool) or not isinstance(value, Integral):
            raise BadValue("wrong type", path, value, self.allowed)
        state = self.state_of_number(int(value))
        if state is None:
            raise BadValue("out of range", path, value, self.allowed)
        return state

    def value(self, state: State) -> object:
        """Return the Python value of a state."""
        return self.number(state)


@dataclass(frozen=True)
class Stepped(RangedInteger):
    """A number in steps: state *k* is ``minimum`` + *k* · ``step``, exactly.

    A value up to ``maximum``, or to the last step where that lies above it, goes to the nearest step, halves
    up.
    """

    minimum: Fraction = Fraction(0)
    maximum: Fraction = Fraction(0)
    step: Fraction = Fraction(1)

    @cached_property
    def places(self) -> int | None:
        """Decimal places that write every step exactly; None when there is no such number."""
        needed = [decimal_places(self.minimum), decimal_places(self.step)]
        return None if None in needed else max(places for places in needed if places is not None)

    @cached_property
    def units(self) -> tuple[int, int]:
        """Minimum and step in units of the last decimal place."""
        assert self.places is not None, "steps without exact decimals have no decimal units"
        return int(self.minimum * 10**self.places), int(self.step * 10**self.places)

    @cached_property
    def top(self) -> Fraction:
        """The largest value accepted."""
        return max(self.maximum, self.exact_value(self.count - 1))

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        unit = f" {self.unit}" if self.unit else ""
        return f"{bound_text(self.minimum)} to {bound_text(self.top)}{unit}"

    def exact_value(self, state: int) -> Fraction:
        """Return the value of a state as a fraction."""
        return self.minimum + state * self.step

    def text(self, state: int) -> str:
        """Return the value of a state as the shortest exact decimal."""
        lowest, step = self.units
        return decimal_text(lowest + state * step, self.places or 0)

    def state(self, value: object, path: str) -> State:
        """Return the state nearest to a number; `BadValue` outside the range."""
        number = as_number(value)
        if number is None:
            reason = "out of range" if isinstance(value, float) else "wrong type"
            raise BadValue(reason, path, value, self.allowed)
        given = exact(number)
        if not self.minimum <= given <= self.top:
            raise BadValue("out of range", path, value, self.allowed)
        return min(round_half_up((given - self.minimum) / self.step), self.count - 1)

    def value(self, state: State) -> object:
        """Return the value of a state as a float."""
        return float(self.exact_value(state))


@dataclass(frozen=True)
class NamedState(RangedInteger):
    """One of several words."""

    options: tuple[str, ...] = ()

    @property
    def allowed(self) -> str:
        """The words."""
        return ", ".join(self.options)

    def state(self, value: object, path: str) -> State:
        """Return the place of a word among the options; `BadValue` for another word."""
        if not isinstance(value, str):
            raise BadValue("wrong type", path, value, self.allowed)
        if value not in self.options:
            nearest = nearest_name(value, self.options)
            raise BadValue("out of range", path, value, self.allowed, nearest=nearest)
        return self.options.index(value)

    def value(self, state: State) -> object:
        """Return the word."""
        return self.options[state]


@dataclass(frozen=True)
class Truth(RangedInteger):
    """False (0) or true (1)."""

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return "true or false"

    def state(self, value: object, path: str) -> State:
        """Return 0 or 1; truth values of numpy are taken too, numbers are not (`BadValue`)."""
        if not isinstance(value, bool) and type(value).__name__ not in {"bool", "bool_"}:
            raise BadValue("wrong type", path, value, self.allowed)
        return 1 if value else 0

    def value(self, state: State) -> object:
        """Return False or True."""
        return bool(state)


@dataclass(frozen=True)
class Float:
    """An IEEE 754 number of 32 or 64 bits between two of them, both inclusive. Never NaN or infinite."""

    bits: int
    minimum: float
    maximum: float
    typical: float = 0.0
    order: str | None = None

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        return f"{self.minimum!r} to {self.maximum!r}"

    def state(self, value: object, path: str) -> State:
        """Return the nearest number of these bits; `BadValue` for others, NaN and infinities."""
        number = as_number(value)
        if number is None:
            raise BadValue(
                "out of range" if isinstance(value, float) else "wrong type", path, value, self.allowed
            )
        try:
            rounded = round_to_bits(float(number), self.bits)
        except OverflowError:  # an integer or fraction beyond every float
            rounded = math.inf
        if not self.minimum <= rounded <= self.maximum:
            raise BadValue("out of range", path, value, self.allowed)
        # A range that starts at zero has no use for the negative one.
        return rounded + 0.0 if self.minimum == 0 else rounded

    def value(self, state: State) -> object:
        """Return the float."""
        return state


@dataclass(frozen=True)
class Bytes:
    """Bytes, or a text as its UTF-8 bytes; lengths in bytes."""

    minimum: int
    maximum: int
    text: bool = False
    typical: int = 0

    @property
    def allowed(self) -> str:
        """The allowed values, in words."""
        what = "a text of" if self.text else "bytes:"
        lengths = f"{self.minimum}" if self.minimum == self.maximum else f"{self.minimum} to {self.maximum}"
        return f"{what} {lengths}{' bytes of UTF-8' if self.text else ''}"

    def state(self, value: object, path: str) -> State:
        """Return the bytes; `BadValue` for a wrong length or a text that UTF-8 cannot write."""
        if not isinstance(value, str if self.text else bytes | bytearray | memoryview):
            raise BadValue("wrong type", path, value, self.allowed)
        try:
            data = value.encode() if isinstance(value, str) else bytes(value)
        except UnicodeEncodeError:  # half a surrogate pair
            raise BadValue("not UTF-8", path, value, self.allowed) from None
        if not self.minimum <= len(data) <= self.maximum:
            raise BadValue("out of range", path, value, self.allowed)
        return data

    def value(self, state: State) -> object:
        """Return the bytes or the text."""
        return state.decode() if self.text else state


@dataclass(frozen=True)
class Optional:
    """Something that may be absent (None)."""

    item: Primitive

    def state(self, value: object, path: str) -> State:
        """Return None or the state of what is there."""
        return None if value is None else self.item.state(value, path)

    def value(self, state: State) -> object:
        """Return None or the value."""
        return None if state is None else self.item.value(state)


@dataclass(frozen=True)
class Sequence:
    """From ``minimum`` to ``maximum`` of the same."""

    item: Primitive
    minimum: int
    maximum: int
    typical: int = 0

    @property
    def allowed(self) -> str:
        """The allowed counts, in words."""
        return f"a list of {self.minimum} to {self.maximum}"

    def state(self, value: object, path: str) -> State:
        """Return the states of a list's elements; `BadValue` for no list and for too few or too many."""
        if isinstance(value, str | bytes | Mapping) or (
            not isinstance(value, Items) and not hasattr(value, "tolist")
        ):
            raise BadValue("wrong type", path, value, self.allowed)
        items: Items[object] = value if isinstance(value, Items) else value.tolist()
        if not self.minimum <= len(items) <= self.maximum:
            problem = f"{len(items)} elements are not allowed"
            raise BadValue("out of range", path, len(items), self.allowed, problem=problem)
        return tuple(self.item.state(item, f"{path}[{index}]") for index, item in enumerate(items))

    def value(self, state: State) -> object:
        """Return the list of values."""
        return [self.item.value(item) for item in state]


@dataclass(frozen=True)
class Member:
    """A primitive with the name of its field."""

    name: str
    primitive: Primitive


@dataclass(frozen=True)
class Group:
    """Named members in order; the state is a tuple, the value a dict without those that are absent."""

    members: tuple[Member, ...]

    @cached_property
    def names(self) -> tuple[str, ...]:
        """The names of the members."""
        return tuple(member.name for member in self.members)

    def state(self, value: object, path: str) -> State:
        """Return the states of a mapping's values; a member with one possible value may be left out.

        `BadValue` for no mapping, and for what is missing or unknown.
        """
        if not isinstance(value, Mapping):
            raise BadValue("wrong type", path, value, f"a mapping with {', '.join(self.names)}")
        inside = f"{path}." if path else ""
        states = tuple(self._member(member, value, inside + member.name) for member in self.members)
        for name in value:
            if name not in self.names:
                raise BadValue(
                    "unknown field",
                    f"{inside}{name}",
                    value[name],
                    ", ".join(self.names),
                    nearest=nearest_name(str(name), self.names),
                    problem="there is no such field",
                )
        return states

    def value(self, state: State) -> dict[str, object]:
        """Return the values by name; what is absent is left out."""
        return {
            member.name: member.primitive.value(part)
            for member, part in zip(self.members, state, strict=True)
            if part is not None
        }

    @staticmethod
    def _member(member: Member, value: Mapping[object, object], path: str) -> State:
        primitive = member.primitive
        if member.name in value:
            return primitive.state(value[member.name], path)
        if isinstance(primitive, Optional):
            return None
        if isinstance(primitive, RangedInteger) and primitive.count == 1:
            return 0
        allowed = "" if isinstance(primitive, Group) else primitive.allowed
        raise BadValue("missing field", path, None, allowed, problem="is missing")


Primitive: TypeAlias = RangedInteger | Float | Bytes | Optional | Sequence | Group


def value_faults(primitive: Primitive, value: object, path: str = "") -> Iterator[Fault]:
    """Yield everything that keeps a value from having a state, in the order of the fields."""
    if isinstance(primitive, Group) and isinstance(value, Mapping):
        inside = f"{path}." if path else ""
        for member in primitive.members:
            if member.name in value:
                yield from value_faults(member.primitive, value[member.name], inside + member.name)
            else:
                yield from _faults_of(Group((member,)), {}, path)
        others = {name: value[name] for name in value if name not in primitive.names}
        for name, other in others.items():
            problem, nearest = "there is no such field", nearest_name(str(name), primitive.names)
            yield Fault(f"{inside}{name}", other, ", ".join(primitive.names), nearest, problem=problem)
    elif isinstance(primitive, Sequence) and isinstance(value, list | tuple):
        if not primitive.minimum <= len(value) <= primitive.maximum:
            yield from _faults_of(primitive, value, path)
        for index, item in enumerate(value):
            yield from value_faults(primitive.item, item, f"{path}[{index}]")
    elif isinstance(primitive, Optional) and value is not None:
        yield from value_faults(primitive.item, value, path)
    else:
        yield from _faults_of(primitive, value, path)


def _faults_of(primitive: Primitive, value: object, path: str) -> tuple[Fault, ...]:
    try:
        primitive.state(value, path)
    except BadValue as error:
        return tuple(error.faults)
    return ()
