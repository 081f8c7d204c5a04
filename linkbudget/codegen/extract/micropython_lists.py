"""Repeats in the extractor of JSON in MicroPython: where their elements go, and when one is good.

The level where elements are looked for is kept as that of keys is. The marks of an element's fields are
cleared when it begins and judged when it ends: then it stands in the slot the message will get, which nobody
reads before the line is over, and its repeat has one more; or the repeat is wrong, and the line with it.
"""

from __future__ import annotations

from collections.abc import Iterator

from linkbudget.codegen.extract.micropython_long import is_long, keep_long
from linkbudget.codegen.extract.plan import ExtractPlan, Wanted, WantedList
from linkbudget.codegen.micropython.viper_layout import pieces_of, places_of, width_of_places
from linkbudget.codegen.plain.lines import Lines
from linkbudget.codegen.spec import Maybe, MessageSpec

__all__ = [
    "ABOUT",
    "COLUMNS",
    "HELD",
    "KIND",
    "KINDS",
    "STATES",
    "keep_count",
    "keep_number",
    "lacking",
    "list_functions",
    "list_row",
    "too_few",
]

COLUMNS = ("MARKS", "FIRST", "COUNT", "PLAIN")
"""What stands in the first columns of a repeat: the marks of its fields, the first, how many, and whether an
element is that field itself."""
KINDS = ("WHOLE", "DECIMAL", "FLAG", "CHOICE", "GROUP")
"""Of fields, by their numbers in the table of fields."""
KIND = len(KINDS)
"""Of a repeat in that table, behind those of fields."""
HELD = ("LIST", "OUTER", "PARTS", "LACKS")
STATES = ("ITEM", "PART")
ABOUT = """\
A repeat has its count in front, then the places of as many elements as there can be; those behind the last
element that came mean nothing.
"""


def list_row(many: WantedList, root: int) -> tuple[int, ...]:
    """Return the row of a repeat in the table of fields; ``root``: where the keys of its elements stand."""
    marks = _marks(many)
    return marks, many.fields[0].bit, len(many.fields), int(many.plain), 0, KIND, root, int(many.optional)


def _marks(many: WantedList) -> int:
    return sum(1 << field.bit for field in many.fields)


def keep_number(out: Lines, plan: ExtractPlan, field: Wanted, at: int) -> None:
    """Write what puts a number into its places, ``at`` from the first of the message or element on."""
    if not field.optional:
        _keep_value(out, plan, field, at)
        return
    out.add(f"s[o + {at}] = good >> {field.bit} & 1")
    with out.block(f"if s[o + {at}]:"):
        _keep_value(out, plan, field, at + 1)
    with out.block("else:"):
        for place in range(pieces_of(field.number)):
            out.add(f"s[o + {at + 1 + place}] = 0")


def _keep_value(out: Lines, plan: ExtractPlan, field: Wanted, at: int) -> None:
    if is_long(field):
        keep_long(out, plan, field, at)
        return
    low = field.number.low if field.number.kind != "scaled" else 0
    value = f"s[WORK + {field.bit}]" + (f" + {low}" if low > 0 else f" - {-low}" if low < 0 else "")
    out.add(f"s[o + {at}] = {value}")


def keep_count(out: Lines, many: WantedList, at: int) -> None:
    """Write what puts the count of a repeat into its place; its elements stand behind it already."""
    if many.optional:
        out.add(f"s[o + {at}] = good >> {many.bit} & 1")
        with out.block(f"if s[o + {at}] == 0:"):
            out.add(f"s[WORK + {many.bit}] = 0")
        at += 1
    out.add(f"s[o + {at}] = s[WORK + {many.bit}]")


def lacking(plan: ExtractPlan, message: MessageSpec) -> Iterator[str]:
    """Yield the condition that a field was missing in an element of a message."""
    records = sum(1 << many.bit for many in plan.lists_of(message) if not many.plain)
    if records:
        yield f"s[LACKS] & {records}"


def too_few(plan: ExtractPlan, message: MessageSpec) -> Iterator[str]:
    """Yield the conditions that a repeat has too few elements; too many are wrong as they come."""
    for many in plan.lists_of(message):
        if many.many.fewest:
            there = f"good >> {many.bit} & 1 and " if many.optional else ""
            yield f"{there}s[WORK + {many.bit}] < {many.many.fewest}"


def list_functions(plan: ExtractPlan, array: bool) -> Iterator[str]:
    """Yield what is called at the end of an element, and at the end of whatever a level is."""
    out = Lines()
    out.add("@micropython.viper")
    with out.block("def _item_over(memory):"):
        out.add('"""An element of a repeat is over: it is kept, or its repeat is wrong."""')
        out.add("s = ptr32(memory)")
        out.add("seen = s[SEEN]")
        out.add("good = s[GOOD]")
        out.add("wrong = seen ^ seen & (good | s[NONE])")
        for many in plan.lists:
            with out.block(f"if s[LIST] == {many.bit}:"):
                _judged(out, plan, many, array)
    yield out.text()
    yield ARRAY_UP if array else UP


def _judged(out: Lines, plan: ExtractPlan, many: WantedList, array: bool) -> None:
    message = plan.spec.messages[many.message]
    marks, mark = _marks(many), 1 << many.bit
    bad = f"s[GOOD] = (good | {mark}) ^ {mark}"
    if many.plain:
        # In front of the first element, and where there is none, nothing was seen.
        with out.block(f"if seen & {marks} == 0:"):
            out.add("return")
        out.add(f"s[SEEN] = seen ^ {marks}")
    else:
        required = sum(1 << field.bit for field in many.fields if not field.optional)
        lacks = f"s[PARTS] != {len(many.fields)}" if array else f"seen & {required} != {required}"
        if array or required:
            with out.block(f"if {lacks}:"):
                out.add(f"s[LACKS] = s[LACKS] | {mark}")
                out.add("return")
    out.add(f"k = s[WORK + {many.bit}]")
    with out.block(f"if wrong & {marks} != 0 or k == {many.many.most}:"):
        out.add(bad)
        out.add("return")
    place = next(place for place in places_of(message)[0] if place.slot.name == many.many.name)
    first = place.first + (2 if isinstance(place.slot, Maybe) else 1)
    out.add(f"o = _VALUES_AT + ({2 * message.place} + (s[_KINDS_AT + {3 * message.place}] ^ 1)) * _STRIDE")
    out.add(f"o += {first} + k * {width_of_places(many.many.item)}")
    at = 0
    for field in many.fields:
        keep_number(out, plan, field, at)
        at += field.optional + pieces_of(field.number)
    out.add(f"s[WORK + {many.bit}] = k + 1")
    out.add("return")


UP = '''\
@micropython.viper
def _up(memory):
    """The end of what keys or elements are looked for in: of a repeat, or of an element of one."""
    s = ptr32(memory)
    k = s[STACK]
    if k & 1:
        if ptr32(FIELDS)[s[LIST] * 8 + PLAIN]:
            _item_over(memory)
        s[LEVEL] = k >> 1
        s[KEYS] = s[OUTER]
    elif k & 2 and k > 2:
        _item_over(memory)
        s[LEVEL] = k >> 1
'''
ARRAY_UP = '''\
@micropython.viper
def _up(memory):
    """The end of what elements are looked for in: of a repeat, or of an element of one."""
    s = ptr32(memory)
    k = s[STACK]
    if k > 3:
        if k == 15 or ptr32(FIELDS)[s[LIST] * 8 + PLAIN]:
            _item_over(memory)
        s[LEVEL] = k >> 1
'''
