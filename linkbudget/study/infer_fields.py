"""From the values a field had to its kind: counter, integer, scaled, real, choice, label, flag, repeat."""

from __future__ import annotations

from collections.abc import Callable, Mapping, Sequence
from dataclasses import dataclass, replace
from decimal import Context, Decimal
from fractions import Fraction
from typing import Any

import numpy as np

from linkbudget.errors import LinkBudgetError
from linkbudget.message.fields import (
    Blob,
    Choice,
    Counter,
    Field,
    Flag,
    Integer,
    Label,
    Optional_,
    Real,
    Repeat,
    Scaled,
    field_to_dict,
)
from linkbudget.study.infer_counts import counting
from linkbudget.study.infer_notes import Note, of_all
from linkbudget.study.infer_ranges import common_step, number, round_bounds, stays_inside, widened

__all__ = ["Guess", "How", "guess_field", "ordered_names"]

MOST_CHOICES = 16
SEEN_EACH = 3
"""Messages for each different word, from which a set of words is taken to be complete."""
MOST_DIGITS = 9
"""A decimal of more digits is no scaled number: single precision prints at most so many."""
MOST_PLACES = 15
NOISE_FREE = Context(prec=12)
"""Doubles have 15 to 17 digits; a few operations on decimals leave the first twelve alone."""
MOST_STEPS = 1 << 46
"""Well below the 2^50 steps from zero that a scaled field may reach, so that there is room to widen."""
SINGLE_DIGITS = 7
"""Only one decimal in some of more digits is what a float of 32 bits prints as."""
ROOM_BYTES, EMPTY_ROOM = 4, 8
LARGEST_SINGLE, LARGEST_DOUBLE = Fraction(2**128 - 2**104), Fraction(2**1024 - 2**971)

Guess = tuple[Field | None, list[Note]]
"""A field, or None when no kind of field holds such values; and what is to be said about it."""


@dataclass(frozen=True)
class How:
    """How values are to be read.

    ``series``: one follows the other in time, so that counters can be told. ``placed``: they are found by
    their place, so that every place needs a field, and things of several fields are arrays, not objects.
    """

    series: bool = True
    placed: bool = False


IN_TIME = How()


def guess_field(name: str, values: Sequence[object], path: str, how: How = IN_TIME) -> Guess:
    """Return the field for the values of successive messages; None stands for a message without it."""
    if not name or not name.isprintable():
        return None, [Note(path, None, f"left out: {name!r} is no name a field can have")]
    present = [value for value in values if value is not None]
    if not present and how.placed:
        return _never_there(name, len(values), path)
    kind = _kind_of(present)
    if kind is None:
        types = sorted({_type_name(value) for value in present}) or ["null"]
        return None, [Note(path, None, f"left out: a field cannot hold {' or '.join(types)} here")]
    try:
        field, origin, confidence, inner = kind(name, present, path, how)
    except (LinkBudgetError, UnicodeEncodeError, OverflowError) as error:
        # Half a surrogate pair, or a number beyond every float: the grammar of JSON has them, fields do not.
        return None, [Note(path, None, f"left out: {str(error).splitlines()[0]}")]
    if field is None:
        return None, inner
    if len(present) < len(values):
        field = Optional_(field)
        origin += f"; there in {of_all(len(present), len(values), 'messages')}"
    return field, [Note(path, field_to_dict(field), origin, confidence), *inner]


def _never_there(name: str, count: int, path: str) -> Guess:
    """Return a field with some room for what never came."""
    field = Optional_(Label(name, EMPTY_ROOM, min_bytes=1))
    origin = f"always empty in {count} messages; what it holds otherwise cannot be told"
    return field, [Note(path, field_to_dict(field), origin)]


Found = tuple[Field | None, str, float | None, list[Note]]
Maker = Callable[[str, list[Any], str, "How"], Found]


def _type_name(value: object) -> str:
    names = {dict: "an object", list: "a list", str: "a text", bool: "true or false", bytes: "bytes"}
    return names.get(type(value), "a number")


def _kind_of(present: Sequence[object]) -> Maker | None:
    """Return how to make a field for values of these types; None for a mixture, objects, or none at all."""
    types = {type(value) for value in present}
    makers: list[tuple[set[type], Maker]] = [
        ({bool}, _flag),
        ({int}, _whole),
        ({int, Decimal}, _decimal),
        ({str}, _words),
        ({bytes}, _blob),
        ({list}, _list),
    ]
    return next((maker for fitting, maker in makers if types and types <= fitting), None)


def _flag(name: str, values: list[bool], path: str, how: How) -> Found:
    true = sum(values)
    return Flag(name), f"true in {of_all(true, len(values), 'values')}, else false", 0.99, []


def _whole(name: str, values: list[int], path: str, how: How) -> Found:
    found = counting(values) if how.series else None
    if found is not None and found.bits is not None:
        return Counter(name, found.bits), found.origin, found.confidence, []
    if found is not None:
        return Integer(name, found.lowest, found.highest), found.origin, found.confidence, []
    low, high = min(values), max(values)
    least, most = widened(Fraction(low), Fraction(high), Fraction(1))
    step = common_step([Fraction(value) for value in values], 0)
    origin = _seen(low, high, len(values))
    if step.step > 1:
        origin += f"; all lie steps of {step.step} apart"
    typical = sorted(values)[len(values) // 2]
    return Integer(name, int(least), int(most), typical), origin, stays_inside(len(values)), []


def _decimal(name: str, values: list[int | Decimal], path: str, how: How) -> Found:
    decimals, noise = _without_noise([Decimal(value) for value in values])
    exact = [Fraction(value) for value in decimals]
    low, high = min(exact), max(exact)
    places = max(max(-int(value.normalize().as_tuple().exponent), 0) for value in decimals)
    digits = max(len(value.normalize().as_tuple().digits) for value in decimals)
    single = digits > SINGLE_DIGITS and all(_is_single(value) for value in exact)
    if (
        single
        or digits > MOST_DIGITS
        or places > MOST_PLACES
        or max(abs(low), abs(high)) * 10**places > MOST_STEPS
    ):
        return _real(name, exact, path)
    step = common_step(exact, places)
    least, most = widened(low, high, step.step)
    origin = f"{_seen(number(low), number(high), len(values))}, in steps of {number(step.step)}"
    if step.step > step.unit:
        origin += f" (all fall on them; by chance with probability {step.chance:.1g})"
    elif step.chance:
        origin += "; coarser steps cannot be told from so few different values"
    origin += "; rounded to 12 digits, the rest is noise of binary floats" if noise else ""
    typical = number(sorted(exact)[len(exact) // 2])
    field = Scaled(name, number(least), number(most), number(step.step), typical=typical)
    return field, origin, stays_inside(len(values)), []


def _without_noise(values: list[Decimal]) -> tuple[list[Decimal], bool]:
    """Return numbers without what binary arithmetic leaves behind (7.970000000000001), and if any had it."""
    rounded = [NOISE_FREE.plus(value) for value in values]
    longest = max(len(value.normalize().as_tuple().digits) for value in rounded)
    return (rounded, rounded != values) if longest <= MOST_DIGITS else (values, False)


def _real(name: str, values: list[Fraction], path: str) -> Found:
    numbers = [float(value) for value in values]
    bits = 32 if all(_is_single(value) for value in values) else 64
    limit = LARGEST_SINGLE if bits == 32 else LARGEST_DOUBLE
    least, most = (max(min(bound, limit), -limit) for bound in round_bounds(min(values), max(values)))
    # Not the exact bounds: the smallest floats are further apart than those.
    field = Real(name, bits, minimum=float(least), maximum=float(most))
    origin = f"{_seen(min(numbers), max(numbers), len(values))}, with as many digits as floats of {bits} bits"
    return field, origin, stays_inside(len(values)), []


def _is_single(value: Fraction) -> bool:
    """Whether a decimal is what a float of 32 bits prints as."""
    return abs(value) <= LARGEST_SINGLE and Fraction(str(np.float32(float(value)))) == value


def _seen(low: object, high: object, count: int) -> str:
    return (
        f"{low} in all {count} values" if low == high else f"{low} to {high} seen in {count} values, widened"
    )


def _words(name: str, values: list[str], path: str, how: How) -> Found:
    different = list(dict.fromkeys(values))
    if "" not in different and len(different) <= MOST_CHOICES and SEEN_EACH * len(different) <= len(values):
        once = sum(values.count(word) == 1 for word in different)
        typical = max(different, key=lambda word: (values.count(word), -different.index(word)))
        field = Choice(name, tuple(different), typical=typical)
        origin = f"{len(different)} different words in {len(values)} values"
        if len(different) == 1:
            origin = f"{different[0]!r} in all {len(values)} values"
        return field, origin, 1 - (once + 1) / (len(values) + 1), []
    longest, shortest = (pick(len(word.encode()) for word in different) for pick in (max, min))
    # Room for a quarter more, to whole groups of four bytes.
    room = -(-(longest + longest // 4) // ROOM_BYTES) * ROOM_BYTES if shortest < longest else longest
    field_ = Label(name, max(room, 1), min_bytes=min(shortest, 1) if shortest < longest else shortest)
    lengths = f"{shortest} bytes" if shortest == longest else f"{shortest} to {longest} bytes, widened"
    origin = f"{len(different)} different texts in {len(values)} values, {lengths}"
    return field_, origin, stays_inside(len(values)), []


def _blob(name: str, values: list[bytes], path: str, how: How) -> Found:
    shortest, longest = (pick(len(value) for value in values) for pick in (min, max))
    origin = f"bytes: {shortest} to {longest} in {len(values)} values"
    return Blob(name, longest, shortest), origin, stays_inside(len(values)), []


def _list(name: str, values: list[list[object]], path: str, how: How) -> Found:
    items = [item for value in values for item in value]
    if not items and how.placed:
        origin = "always an empty list; what its elements would be cannot be told"
        return Repeat(name, of=Flag("item"), max_count=0), origin, None, []
    if not items:
        return None, "", None, [Note(path, None, "left out: its list was always empty")]
    fields, inner = _elements(items, path, how)
    if not fields:
        return None, "", None, [Note(path, None, "left out: no field holds the elements of its list"), *inner]
    counts = sorted(len(value) for value in values)
    low, high = counts[0], counts[-1]
    origin = f"a list of {low} in all {len(values)} values"
    if low < high:
        least, most = widened(Fraction(low), Fraction(high), Fraction(1))
        low, high = int(least), int(most)
        origin = f"lists of {counts[0]} to {counts[-1]} in {len(values)} values, widened"
    typical = counts[len(counts) // 2]
    group, single = (fields, None) if isinstance(fields, tuple) else ((), fields)
    field = Repeat(name, group, of=single, max_count=high, min_count=low, typical_count=typical)
    return field, origin, stays_inside(len(values)), inner


def _elements(items: list[Any], path: str, how: How) -> tuple[Field | tuple[Field, ...] | None, list[Note]]:
    """Return the field, or the fields of the elements of lists, which do not follow each other in time."""
    inside = replace(how, series=False)
    if all(isinstance(item, Mapping) for item in items) and not how.placed:
        return _members(
            {key: [item.get(key) for item in items] for key in ordered_names(items)}, path, inside
        )
    field, notes = guess_field("item", items, f"{path}.item", inside)
    if field is not None and not isinstance(field, Optional_):
        return field, notes
    lengths = {len(item) if isinstance(item, list) else 0 for item in items}
    if how.placed and len(lengths) == 1 and 0 not in lengths:
        columns = zip(*items, strict=True)
        found, more = _members({f"f{n}": list(column) for n, column in enumerate(columns, 1)}, path, inside)
        # An array cannot be read without one of its elements.
        return (found, more) if found is not None and len(found) in lengths else (None, notes)
    return None, notes


def _members(
    columns: Mapping[str, list[Any]], path: str, how: How
) -> tuple[tuple[Field, ...] | None, list[Note]]:
    fields: list[Field] = []
    notes = []
    for name, values in columns.items():
        field, more = guess_field(name, values, f"{path}.{name}", how)
        fields += [field] if field is not None else []
        notes += more
    return tuple(fields) or None, notes


def ordered_names(objects: Sequence[Mapping[str, object]]) -> list[str]:
    """Return all keys of objects in the order they are written; a new one stands behind its predecessor."""
    names: list[str] = []
    for found in dict.fromkeys(tuple(value) for value in objects):
        at = 0
        for key in found:
            if key in names:
                at = names.index(key) + 1
            else:
                names.insert(at, key)
                at += 1
    return names
