"""Binary payloads: what single bytes show that never change, count, or carry into each other.

Told are: constant bytes; counters of one to four bytes; numbers of two bytes, when the lower one wraps just
where the upper one steps; single bytes that change slowly. Everything else is left as bytes whose meaning
cannot be told (packed bits look like that). Messages with different lengths need a first byte that says which
they are.
"""

from __future__ import annotations

from collections import Counter
from collections.abc import Sequence
from fractions import Fraction
from itertools import pairwise
from typing import Any, Literal

from linkbudget.message.fields import Blob, Field, Integer, field_to_dict
from linkbudget.message.fields import Counter as CounterField
from linkbudget.message.layout import MessageLayout
from linkbudget.study.infer_counts import counting
from linkbudget.study.infer_kinds import FEWEST_MESSAGES, free_name
from linkbudget.study.infer_notes import Kind, Note, field_path, listed, of_all
from linkbudget.study.infer_ranges import stays_inside, widened
from linkbudget.study.infer_times import Recording

__all__ = ["byte_kinds"]

Order = Literal["big", "little"]
ORDERS: tuple[Order, ...] = ("big", "little")
MOST_IDS = 16
NEARLY_ALL = 0.9
FEWEST_CARRIES = 4
FEWEST_CHANGES = 8
SLOW = 0.5
Part = tuple[Field, Note]


def byte_kinds(payloads: Sequence[bytes], recording: Recording, framed: str) -> list[Kind]:
    """Return the kinds of binary messages; `CaptureError` when their lengths differ and no byte says why.

    ``framed`` says how the frames were found, for that error.
    """
    rows = [(place, payload) for place, payload in enumerate(payloads) if payload]
    lengths = Counter(len(payload) for _, payload in rows)
    if len(lengths) == 1:
        return [_kind(None, rows, 0)]
    by_id: dict[int, list[tuple[int, bytes]]] = {}
    for place, payload in rows:
        by_id.setdefault(payload[0], []).append((place, payload))
    known = {number: group for number, group in by_id.items() if len(group) >= FEWEST_MESSAGES}
    settled = [group for group in known.values() if len({len(payload) for _, payload in group}) == 1]
    if len(by_id) <= MOST_IDS and len(settled) == len(known) and len(known) > 1:
        return [_kind(number, group, 1) for number, group in sorted(known.items())]
    told = f"{min(lengths)} to {max(lengths)} bytes"
    raise recording.cannot_tell(
        f"{framed}, but the {len(rows)} payloads have {told} and no first byte says which message they are; "
        "expected payloads of one length, or an id in front"
    )


def _kind(number: int | None, rows: list[tuple[int, bytes]], skip: int) -> Kind:
    name = free_name(f"message-{number}" if number is not None else None, set())
    columns = list(zip(*(payload[skip:] for _, payload in rows), strict=True))
    orders = Counter(part[0] for part in _carried(columns))
    order: Order = "little" if orders["little"] > orders["big"] else "big"
    parts = _parts(name, columns, order)
    origin = f"{len(rows)} payloads of {len(columns) + skip} bytes"
    if number is not None:
        origin += f", first byte {number}"
    notes = [Note(f"message.{name}.name", name, origin), _encoding_note(name, parts)]
    encoding: str | dict[str, Any] = "packed-bytes"
    if order == "little":
        encoding = {"name": "packed-bytes", "byte_order": "little"}
    layout = MessageLayout(name, tuple(field for field, _ in parts), id=number)
    return Kind(layout, encoding, tuple(place for place, _ in rows), (*notes, *(note for _, note in parts)))


def _encoding_note(message: str, parts: Sequence[Part]) -> Note:
    unknown = [field.name for field, _ in parts if isinstance(field, Blob)]
    what = f"message.{message}.encoding"
    if unknown:
        origin = f"cannot be told from the bytes alone: {listed(unknown)} may be anything, packed bits too"
        return Note(what, "packed-bytes", origin)
    return Note(what, "packed-bytes", "every byte is constant, counts, or changes like a number", 0.7)


Columns = list[tuple[int, ...]]


def _carried(columns: Columns) -> list[tuple[Order, int]]:
    """Return byte order and place of each pair of neighbours that carry into each other."""
    return [(order, at) for at in range(len(columns) - 1) for order in ORDERS if _carries(columns, at, order)]


def _carries(columns: Columns, at: int, order: Order) -> bool:
    """Whether two bytes are one number: where the upper one steps by one, the lower one wraps.

    Bytes that have nothing to do with each other do so about once in four times.
    """
    values = _numbers(columns, at, 2, order)
    upper = columns[at if order == "big" else at + 1]
    steps = [
        (later - earlier + 0x8000) % 0x10000 - 0x8000
        for (earlier, later), (high, next_high) in zip(pairwise(values), pairwise(upper), strict=True)
        if (next_high - high) % 256 in (1, 255)
    ]
    carried = sum(abs(step) < 0x80 for step in steps)
    return len(steps) >= FEWEST_CARRIES and carried >= NEARLY_ALL * len(steps)


def _numbers(columns: Columns, at: int, size: int, order: Order) -> list[int]:
    return [int.from_bytes(row, order) for row in zip(*columns[at : at + size], strict=True)]


def _parts(message: str, columns: Columns, order: Order) -> list[Part]:
    parts: list[Part] = []
    at = unknown = 0
    while at < len(columns):
        size, part = _part(message, columns, at, order)
        if part is None:
            unknown += 1
            at += 1
            continue
        if unknown:
            parts.append(_blob(message, at - unknown, unknown, columns))
            unknown = 0
        parts.append(part)
        at += size
    if unknown:
        parts.append(_blob(message, at - unknown, unknown, columns))
    return parts


def _part(message: str, columns: Columns, at: int, order: Order) -> tuple[int, Part | None]:
    """Return the bytes of the number that begins at a place, and its field; None when nothing can be told."""
    for size in (4, 3, 2):
        found = _counter(message, columns, at, size, order)
        if found is not None:
            return size, found
    if at + 1 < len(columns) and _carries(columns, at, order):
        return 2, _number(message, columns, at, 2, order, "their carries show one number")
    column = columns[at]
    if len(set(column)) == 1:
        name = f"byte{at}"
        field = Integer(name, column[0], column[0], bits=8)
        note = Note(
            field_path(message, name), field_to_dict(field), f"the same in all {len(column)} messages"
        )
        return 1, (field, note)
    found = _counter(message, columns, at, 1, order)
    if found is not None:
        return 1, found
    # A clock rises in its upper byte alone, too, so the narrowest is looked for first.
    for size in (1, 2, 3, 4):
        found = _counter(message, columns, at, size, order, clock=True)
        if found is not None:
            return size, found
    if _slow(column):
        return 1, _number(message, columns, at, 1, order, "changes slowly, like a number")
    return 1, None


def _counter(
    message: str, columns: Columns, at: int, size: int, order: Order, clock: bool = False
) -> Part | None:
    """Return a counter whose every byte changes, or whose upper bytes follow from the wrap of the lower."""
    if at + size > len(columns):
        return None
    upper = at if order == "big" else at + size - 1
    if size > 1 and len(set(columns[upper])) == 1:
        return None
    found = counting(_numbers(columns, at, size, order), (8 * size,))
    if found is None or found.bits is None or found.bits > 8 * size or found.clock is not clock:
        return None
    name = f"byte{at}"
    field = CounterField(name, found.bits if found.bits > 8 * (size - 1) else 8 * size)
    return field, Note(field_path(message, name), field_to_dict(field), found.origin, found.confidence)


def _slow(column: Sequence[int]) -> bool:
    """Whether a byte that changes does so by less than half of what it changes over the recording.

    Messages in which it stays the same do not count: a slice of a number that is held stays the same, too.
    """
    half = len(column) // 2
    near = [abs(later - earlier) for earlier, later in pairwise(column) if later != earlier]
    far = [abs(later - earlier) for earlier, later in zip(column, column[half:], strict=False)]
    return len(near) >= FEWEST_CHANGES and sum(near) / len(near) < SLOW * sum(far) / len(far)


def _number(message: str, columns: Columns, at: int, size: int, order: Order, why: str) -> Part:
    values = _numbers(columns, at, size, order)
    bits = 8 * size
    # A number that steps across half of its range, and never far otherwise, is a signed one about zero.
    if size > 1 and max(abs(later - earlier) for earlier, later in pairwise(values)) > 1 << (bits - 1):
        values = [value - (1 << bits) if value >> (bits - 1) else value for value in values]
    floor, ceiling = (0, (1 << bits) - 1) if min(values) >= 0 else (-(1 << (bits - 1)), (1 << (bits - 1)) - 1)
    low, high = widened(Fraction(min(values)), Fraction(max(values)), Fraction(1))
    name = f"byte{at}"
    field = Integer(
        name,
        max(int(low), floor),
        min(int(high), ceiling),
        sorted(values)[len(values) // 2],
        bits=bits,
        order=order if size > 1 else None,
    )
    origin = f"{why}: {min(values)} to {max(values)} seen in {len(values)} values, widened"
    return field, Note(field_path(message, name), field_to_dict(field), origin, stays_inside(len(values)))


def _blob(message: str, at: int, size: int, columns: Columns) -> Part:
    name = f"bytes{at}to{at + size - 1}" if size > 1 else f"byte{at}"
    field = Blob(name, size, min_bytes=size)
    changing = of_all(sum(len(set(column)) > 1 for column in columns[at : at + size]), size, "bytes")
    origin = f"{changing} change in ways that show no number; what they mean cannot be told"
    return field, Note(field_path(message, name), field_to_dict(field), origin)
