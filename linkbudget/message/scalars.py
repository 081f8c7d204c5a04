"""Field kinds that hold one value, each lowered to one primitive."""

from __future__ import annotations

import math
from abc import ABC, abstractmethod
from collections.abc import Iterator
from dataclasses import dataclass
from fractions import Fraction
from functools import cached_property
from typing import ClassVar

from linkbudget.errors import Fault, SettingsError, nearest_name, unknown_name
from linkbudget.message.number_forms import as_number, round_to_bits
from linkbudget.message.primitives import (
    Bytes,
    Float,
    NamedState,
    Primitive,
    RangedInteger,
    Stepped,
    Truth,
)
from linkbudget.units import Number, exact, is_whole_number, round_half_up

__all__ = ["MAX_BITS", "Blob", "Choice", "Counter", "Field", "Flag", "Integer", "Label", "Real", "Scaled"]

MAX_BITS = 4096
MAX_BYTES = 1 << 20  # as the longest payload of a frame format
ORDERS = ("big", "little")


class Field(ABC):
    """One named part of a message. Settings are checked when it is made; `SettingsError` has every fault."""

    kind: ClassVar[str]
    name: str

    def __post_init__(self) -> None:
        faults = list(self._name_faults())
        faults += self.faults()
        if faults:
            where = f"{self.name}." if isinstance(self.name, str) and self.name else ""
            raise SettingsError(
                [Fault(where + f.path, f.value, f.allowed, f.nearest, problem=f.problem) for f in faults]
            )

    def _name_faults(self) -> Iterator[Fault]:
        if not isinstance(self.name, str) or not self.name.isprintable() or not self.name:
            yield Fault("name", self.name, "a printable text that is not empty")

    def faults(self) -> Iterator[Fault]:
        """Yield what is wrong with the settings, paths within the field."""
        yield from ()

    @cached_property
    @abstractmethod
    def primitive(self) -> Primitive:
        """What the field is lowered to."""


def _storage_faults(bits: object, order: object, needed: int | None) -> Iterator[Fault]:
    """Yield faults of a prescribed width and byte order; ``needed`` bits hold every value."""
    if bits is not None and not is_whole_number(bits, 1, MAX_BITS):
        yield Fault("bits", bits, f"1 to {MAX_BITS}")
    elif bits is not None and needed is not None and bits < needed:
        yield Fault("bits", bits, f"at least {needed}, which the range needs")
    if order not in (None, *ORDERS):
        yield unknown_name("order", order, ORDERS)


@dataclass(frozen=True)
class Integer(Field):
    """A whole number from ``minimum`` to ``maximum``, both inclusive. Default typical value: the middle.

    ``bits`` and ``order`` describe somebody else's binary format: packed encodings then write the number in
    so many bits, in two's complement when ``minimum`` is negative, in this byte order.
    """

    kind: ClassVar[str] = "integer"
    name: str
    minimum: int
    maximum: int
    typical: int | None = None
    unit: str = ""
    bits: int | None = None
    order: str | None = None

    def faults(self) -> Iterator[Fault]:
        """Yield impossible ranges, a typical value outside, and a width that is too small."""
        wrong = [key for key in ("minimum", "maximum") if not is_whole_number(getattr(self, key))]
        for key in wrong:
            yield Fault(key, getattr(self, key), "a whole number")
        if wrong:
            return
        if self.minimum > self.maximum:
            yield Fault("maximum", self.maximum, f"at least the minimum, {self.minimum}")
            return
        if self.typical is not None and not is_whole_number(self.typical, self.minimum, self.maximum):
            yield Fault("typical", self.typical, f"a whole number, {self.minimum} to {self.maximum}")
        plain = RangedInteger(self.maximum - self.minimum + 1, self.minimum)
        yield from _storage_faults(self.bits, self.order, plain.number_bits)

    @cached_property
    def primitive(self) -> RangedInteger:
        """A ranged integer whose state 0 is ``minimum``."""
        typical = (self.minimum + self.maximum) // 2 if self.typical is None else self.typical
        return RangedInteger(
            count=self.maximum - self.minimum + 1,
            base=self.minimum,
            typical=typical - self.minimum,
            unit=self.unit,
            bits=self.bits,
            order=self.order,
        )


@dataclass(frozen=True)
class Scaled(Field):
    """A number in steps: ``minimum`` + *k* · ``step``, exact; floats mean the decimal they print as.

    A value between two steps is not refused but rounded to the nearest, halves up: what is decoded may differ
    from it by half a step (`largest_error`, `rms_error`). A value out of range is refused. Where ``step``
    does not divide the range, the last step is the one nearest to ``maximum`` (at a tie the lower), so it may
    lie above it by less than half a step. Default typical value: the middle.
    """

    kind: ClassVar[str] = "scaled"
    name: str
    minimum: Number
    maximum: Number
    step: Number
    unit: str = ""
    typical: Number | None = None

    def faults(self) -> Iterator[Fault]:
        """Yield impossible ranges and steps."""
        numbers = {key: as_number(getattr(self, key)) for key in ("minimum", "maximum", "step")}
        for key, number in numbers.items():
            if number is None:
                yield Fault(key, getattr(self, key), "a finite number")
        if None in numbers.values():
            return
        low, high, step = exact(self.minimum), exact(self.maximum), exact(self.step)
        if step <= 0:
            yield Fault("step", self.step, "greater than 0")
        if low > high:
            yield Fault("maximum", self.maximum, f"at least the minimum, {self.minimum}")
        if step <= 0 or low > high:
            return
        if max(abs(low), abs(high)) > step * 2**50:
            yield Fault(
                "step", self.step, "at least 2^-50 of the largest value, so that a float tells steps apart"
            )
        typical = self.typical if self.typical is None else as_number(self.typical)
        if self.typical is not None and (typical is None or not low <= exact(typical) <= high):
            yield Fault("typical", self.typical, f"{self.minimum} to {self.maximum}")

    @cached_property
    def primitive(self) -> Stepped:
        """A ranged integer that counts the steps above ``minimum``."""
        low, high, step = exact(self.minimum), exact(self.maximum), exact(self.step)
        last = math.ceil((high - low) / step - Fraction(1, 2))
        middle = (low + high) / 2 if self.typical is None else exact(self.typical)
        typical = min(round_half_up((middle - low) / step), last)
        return Stepped(last + 1, 0, typical, self.unit, minimum=low, maximum=high, step=step)

    @property
    def largest_error(self) -> float:
        """Largest difference between a value and the step it is written as: half a step."""
        return float(exact(self.step) / 2)

    @property
    def rms_error(self) -> float:
        """RMS of that difference when it is spread evenly, in the field's unit.

        It is step / √12 (W. R. Bennett, 1948).
        """
        return float(exact(self.step)) / math.sqrt(12)


@dataclass(frozen=True)
class Choice(Field):
    """One of several words (``options``). Default typical one: of middle length.

    ``codes``, ``bits`` and ``order`` describe somebody else's binary format: the number each word stands for
    (default: 0, 1, 2 …), its width and byte order.
    """

    kind: ClassVar[str] = "choice"
    name: str
    options: tuple[str, ...]
    typical: str | None = None
    codes: tuple[int, ...] = ()
    bits: int | None = None
    order: str | None = None

    def __post_init__(self) -> None:
        for key in ("options", "codes"):
            given = getattr(self, key)
            if not isinstance(given, str):
                object.__setattr__(self, key, tuple(given))
        super().__post_init__()

    def faults(self) -> Iterator[Fault]:
        """Yield options that are no words, none or the same twice, and codes that do not fit them."""
        options = self.options
        if type(options) is not tuple or not options or not all(_is_word(option) for option in options):
            yield Fault("options", options, "one word or more, each a text in UTF-8 that is not empty")
            return
        twice = [option for index, option in enumerate(options) if option in options[:index]]
        if twice:
            yield Fault("options", twice[0], "each word once", problem=f"{twice[0]!r} stands there twice")
        if self.typical is not None and self.typical not in options:
            nearest = nearest_name(str(self.typical), options)
            yield Fault("typical", self.typical, ", ".join(options), nearest)
        yield from self._code_faults()

    def _code_faults(self) -> Iterator[Fault]:
        codes = self.codes
        fits = len(codes) == len(set(codes)) == len(self.options)
        if codes and not (fits and all(is_whole_number(code, 0) for code in codes)):
            yield Fault("codes", codes, "a number for each option, no two alike, none negative")
            return
        largest = max(codes) if codes else len(self.options) - 1
        yield from _storage_faults(self.bits, self.order, largest.bit_length())

    @cached_property
    def primitive(self) -> NamedState:
        """A ranged integer with a word for each state."""
        by_length = sorted(self.options, key=lambda option: len(option.encode()))
        typical = by_length[len(by_length) // 2] if self.typical is None else self.typical
        return NamedState(
            count=len(self.options),
            typical=self.options.index(typical),
            bits=self.bits,
            order=self.order,
            codes=self.codes,
            options=self.options,
        )


def _is_word(option: object) -> bool:
    return isinstance(option, str) and option != "" and not any("\ud800" <= c <= "\udfff" for c in option)


@dataclass(frozen=True)
class Flag(Field):
    """True or false.

    ``bits`` and ``order``: width and byte order in somebody else's binary format (0 or 1 is written).
    """

    kind: ClassVar[str] = "flag"
    name: str
    bits: int | None = None
    order: str | None = None

    def faults(self) -> Iterator[Fault]:
        """Yield an impossible width."""
        yield from _storage_faults(self.bits, self.order, 1)

    @cached_property
    def primitive(self) -> Truth:
        """A ranged integer of two states."""
        return Truth(2, bits=self.bits, order=self.order)


@dataclass(frozen=True)
class Counter(Field):
    """A number that counts up and wraps after 2^``bits``; typical: half way."""

    kind: ClassVar[str] = "counter"
    name: str
    bits: int

    def faults(self) -> Iterator[Fault]:
        """Yield an impossible width."""
        if not is_whole_number(self.bits, 1, 64):
            yield Fault("bits", self.bits, "1 to 64")

    @cached_property
    def primitive(self) -> RangedInteger:
        """A ranged integer from 0 to 2^``bits`` - 1."""
        return RangedInteger(1 << self.bits, 0, 1 << (self.bits - 1))


@dataclass(frozen=True)
class Real(Field):
    """An IEEE 754 number of 32 or 64 bits, never NaN or infinite.

    A bound is rounded to the nearest number of these bits; default: every finite one. The typical value lies
    a third of the way from minimum to maximum (1/3 without both), so that its text has the usual many digits.
    ``order`` is the byte order in somebody else's binary format.
    """

    kind: ClassVar[str] = "real"
    name: str
    bits: int = 32
    minimum: Number | None = None
    maximum: Number | None = None
    order: str | None = None

    def faults(self) -> Iterator[Fault]:
        """Yield impossible widths and ranges."""
        yield from _storage_faults(None, self.order, None)
        if self.bits not in (32, 64):
            yield Fault("bits", self.bits, "32, 64")
            return
        bounds = {}
        for key in ("minimum", "maximum"):
            given = getattr(self, key)
            bounds[key] = _float_bound(given, self.bits)
            if given is not None and bounds[key] is None:
                yield Fault(key, given, f"a finite number that {self.bits} bits can hold")
        low, high = bounds["minimum"], bounds["maximum"]
        if low is not None and high is not None and low > high:
            yield Fault("maximum", self.maximum, f"at least the minimum, {self.minimum}")

    @cached_property
    def primitive(self) -> Float:
        """A float between two floats."""
        limit = 3.4028234663852886e38 if self.bits == 32 else 1.7976931348623157e308
        low, high = _float_bound(self.minimum, self.bits), _float_bound(self.maximum, self.bits)
        if low is not None and high is not None:
            typical = low + (high / 3 - low / 3)
        else:
            typical = 1 / 3 + (low or 0.0) + (high or 0.0)
        low, high = -limit if low is None else low, limit if high is None else high
        typical = min(max(round_to_bits(typical, self.bits), low), high)
        return Float(self.bits, low, high, typical, self.order)


def _float_bound(value: object, bits: int) -> float | None:
    number = as_number(value)
    if number is None:
        return None
    try:
        rounded = round_to_bits(float(number), bits)
    except OverflowError:
        return None
    return rounded + 0.0 if math.isfinite(rounded) else None


@dataclass(frozen=True)
class _Octets(Field):
    """From ``min_bytes`` to ``max_bytes`` bytes; typical: the middle."""

    text: ClassVar[bool]
    name: str
    max_bytes: int
    min_bytes: int = 0

    def faults(self) -> Iterator[Fault]:
        """Yield impossible lengths."""
        if not is_whole_number(self.max_bytes, 0, MAX_BYTES):
            yield Fault("max_bytes", self.max_bytes, f"0 to {MAX_BYTES}")
        elif not is_whole_number(self.min_bytes, 0, self.max_bytes):
            yield Fault("min_bytes", self.min_bytes, f"0 to {self.max_bytes}, the largest length")

    @cached_property
    def primitive(self) -> Bytes:
        """Bytes, of a label those of UTF-8."""
        return Bytes(self.min_bytes, self.max_bytes, self.text, (self.min_bytes + self.max_bytes + 1) // 2)


@dataclass(frozen=True)
class Blob(_Octets):
    """From ``min_bytes`` to ``max_bytes`` bytes; typical: the middle. Text encodings write hex digits."""

    kind: ClassVar[str] = "blob"
    text: ClassVar[bool] = False


@dataclass(frozen=True)
class Label(_Octets):
    """A text of ``min_bytes`` to ``max_bytes`` bytes of UTF-8; typical: the middle, plain letters."""

    kind: ClassVar[str] = "label"
    text: ClassVar[bool] = True
